"""Guesses a recipe from what recurs in the sets of an unknown share, cautiously, and tells its doubts."""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Iterable, Sequence
from itertools import pairwise
from statistics import median

from guard.record import Record
from guard.survey.contents import HEAD_BYTES, Content
from guard.survey.naming import is_plain
from guard.survey.recurring import PART_ORDER, RECURS, Ending, Unit, by_ending, glob_of, payload, stored, units_of
from guard.survey.words import role

NEARLY_ALL = 0.8
"""A file that differs in this share of the pairs of successive sets is volatile."""

FEWEST_PAIRS = 3
FILES_COMPARED = 40
PAIRS_COMPARED = 12
SMALLEST_CHECKED_BYTES = 32

LOST_WITHOUT = {
    "programs": "what the arm was taught",
    "axis-zero": "the axis zero references (without them the arm must be re-zeroed with fixtures)",
    "image": "the whole memory image (without it a lost controller is rebuilt by hand)",
}
NEVER_VOLATILE = ("programs", "axis-zero", "settings", "signals")


class PartGuess(Record):
    """One part of a recipe as it was guessed. ``min_bytes`` and ``text`` are checks."""

    name: str
    files: tuple[str, ...]
    at_least: int
    min_bytes: int | None = None
    not_blank: bool = False
    text: bool = False


class IdentityGuess(Record):
    """A line in a settings file that may tell which controller a set was saved from."""

    file: str
    pattern: str


class RecipeGuess(Record):
    """A recipe as it was guessed."""

    parts: tuple[PartGuess, ...]
    volatile: tuple[str, ...]
    identity: IdentityGuess | None
    doubts: tuple[str, ...]


def is_telling(contents: Sequence[Content], *, stamped: bool) -> bool:
    """Whether what lies in the sets looks like backups: at least two sets, with a name in common.

    Without a date in their names, at least two parts must be told by name.
    """
    filled = [content for content in contents if content.files]
    if len(filled) < 2:
        return False
    recurring = [unit for unit in units_of(filled) if unit.holders >= RECURS * len(filled)]
    return bool(recurring) and (stamped or len({unit.role for unit in recurring} - {None}) >= 2)


def guessed(contents: Sequence[Content]) -> RecipeGuess:
    """The recipe that these sets seem to follow."""
    filled = [content for content in contents if content.files]
    units = units_of(filled)
    required = [unit for unit in units if unit.holders >= RECURS * len(filled)]
    rare = [unit for unit in units if unit.holders < RECURS * len(filled)]
    grouped = by_ending(rare, len(filled))
    parts = _parts(required, grouped, rare)
    volatile, doubts = _volatile(filled, units)
    doubts = [
        *_reading_doubts(contents),
        *_missing_doubts(parts),
        *(doubt for unit in required for doubt in _holder_doubts(unit, filled)),
        *_rare_doubts(rare, grouped, len(filled)),
        *_size_doubts(required),
        *doubts,
    ]
    return RecipeGuess(tuple(parts), volatile, _identity(required), tuple(doubts))


# Parts


def _parts(required: Sequence[Unit], endings: Sequence[Ending], rare: Sequence[Unit]) -> list[PartGuess]:
    units: dict[str, list[Unit]] = defaultdict(list)
    patterns: dict[str, list[str]] = defaultdict(list)
    for unit in required:
        name = unit.role or _own_name(unit.glob, units)
        units[name].append(unit)
        patterns[name].append(unit.pattern)
    for ending in endings:
        patterns[ending.name if ending.name in PART_ORDER else _own_name(ending.name, units)].append(ending.pattern)
    optional = {unit.role: unit.pattern for unit in rare if unit.role is not None and unit.role not in patterns}
    parts = [_part(name, files, units[name]) for name, files in patterns.items()]
    parts += [PartGuess(name, (pattern,), 0) for name, pattern in optional.items() if name is not None]
    return sorted(parts, key=lambda part: (_place(part.name), part.name))


def _place(name: str) -> int:
    return PART_ORDER.index(name) if name in PART_ORDER else len(PART_ORDER)


def _own_name(glob: str, taken: Iterable[str]) -> str:
    """A part's name after what it holds; letters and digits only."""
    name = re.sub(r"[^a-z0-9]+", "-", glob.rpartition("/")[2].lower()).strip("-") or "part"
    name = f"{name}-part" if name in PART_ORDER else name
    number = 2
    free = name
    while free in taken:
        free, number = f"{name}-{number}", number + 1
    return free


def _part(name: str, patterns: list[str], units: Sequence[Unit]) -> PartGuess:
    if name == "history":
        return PartGuess(name, tuple(patterns), 0)
    files = tuple(patterns)
    at_least = max(len(patterns), 1)
    if not units or any(unit.is_folder for unit in units) or len(units) < len(patterns):
        return PartGuess(name, files, at_least)
    sizes = [content.files[stored(content, path)] for unit in units for content, path in unit.found]
    smallest = min((size for size in sizes if size), default=0)
    least = _rounded(smallest // 2) if smallest >= SMALLEST_CHECKED_BYTES else None
    return PartGuess(name, files, at_least, least, name == "image", name != "image" and _is_text(units))


def _rounded(count: int) -> int:
    return count // 1024 * 1024 if count >= 4096 else count


def _is_text(units: Sequence[Unit]) -> bool:
    heads = [content.head(stored(content, path)) for unit in units for content, path in unit.found[-8:]]
    return bool(heads) and all(head is not None and is_text(head) for head in heads)


def is_text(head: bytes) -> bool:
    """Whether the first bytes of a file are readable UTF-8, as far as they go. Nothing is no text."""
    try:
        text = head.decode("utf-8")
    except UnicodeDecodeError as error:
        if len(head) < HEAD_BYTES or error.start < len(head) - 3 or error.reason != "unexpected end of data":
            return False
        text = head[: error.start].decode("utf-8")
    return bool(text) and all(sign.isprintable() or sign in "\t\n\r\f\ufeff" for sign in text)


# Volatile parts


def _volatile(contents: Sequence[Content], units: Sequence[Unit]) -> tuple[tuple[str, ...], list[str]]:
    told = [unit.pattern for unit in units if unit.role == "history"]
    inner: dict[str, set[str]] = defaultdict(set)
    for content in contents:
        for path in payload(content):
            inner["/".join(glob_of(name, content.arm) for name in path.split("/"))].add(content.path)
    within = [glob for glob in inner if role(glob.partition("/")[0]) is None]
    told += [glob for glob in within if "/" in glob and any(role(name) == "history" for name in glob.split("/"))
             and len(inner[glob]) >= len(contents) / 2]  # fmt: skip
    recurring = [glob for glob, holders in inner.items() if len(holders) >= RECURS * len(contents)]
    changing = _changing(
        contents, [glob for glob in sorted(recurring) if not any(_within(glob, each) for each in told)]
    )
    safe = [glob for glob in changing if role(glob) not in NEVER_VOLATILE]
    doubts = [_should_not_change([glob for glob in changing if glob not in safe])] if len(safe) < len(changing) else []
    doubts += [f"{glob} differs in nearly all sets and is taken for volatile. Is it?" for glob in safe]
    if not told and not safe:
        doubts.append(
            "nothing volatile was found, such as logs or counters. Without it an old backup that is filed"
            " again under a new date is not recognised."
        )
    return (*dict.fromkeys(told), *safe), doubts


def _within(glob: str, pattern: str) -> bool:
    return glob == pattern or (pattern.endswith("/**") and glob.startswith(pattern[:-2]))


def _changing(contents: Sequence[Content], globs: Sequence[str]) -> list[str]:
    by_arm: dict[str, list[Content]] = defaultdict(list)
    for content in contents:
        by_arm[content.arm].append(content)
    pairs = [pair for own in by_arm.values() for pair in pairwise(own)][:PAIRS_COMPARED]
    if len(pairs) < FEWEST_PAIRS:
        return []
    return [glob for glob in globs[:FILES_COMPARED] if _differs(glob, pairs)]


def _differs(glob: str, pairs: Sequence[tuple[Content, Content]]) -> bool:
    """Whether a file differs in nearly all pairs, by size or, where that does not tell, by its first bytes."""
    both = [(old, new, _path_of(old, glob), _path_of(new, glob)) for old, new in pairs]
    there = [(old, new, first, second) for old, new, first, second in both if first and second]
    if len(there) < FEWEST_PAIRS:
        return False
    differing = 0
    for number, (old, new, first, second) in enumerate(there):
        differing += old.files[first] != new.files[second] or old.head(first) != new.head(second)
        if number + 1 - differing > (1 - NEARLY_ALL) * len(there):
            return False
    return True


def _path_of(content: Content, glob: str) -> str | None:
    for path in payload(content):
        if "/".join(glob_of(name, content.arm) for name in path.split("/")) == glob:
            return stored(content, path)
    return None


# Identity


def _identity(required: Sequence[Unit]) -> IdentityGuess | None:
    """The first line with a serial number in a settings file that has one path in every set."""
    for unit in required:
        content, path = unit.found[-1]
        if unit.role != "settings" or (unit.is_folder and path.count("/") > 3):
            continue
        if "*" in unit.glob or "?" in unit.glob or not is_plain(path):
            continue
        head = content.head(stored(content, path))
        text = head.decode("utf-8", "replace") if head else ""
        line = re.search(
            r'^[ \t]*(["\']?\w*serial[\w -]*["\']?[ \t]*[=:][ \t]*)(["\']?)\w', text, re.MULTILINE | re.IGNORECASE
        )
        if line is not None and is_plain(line[1]):
            value = rf"[^{line[2]}]+" if line[2] else r"[\w.-]+"
            lead = re.sub(r"\\?[ \t]+", r"\\s*", re.escape(line[1]))
            return IdentityGuess(path, f"{lead}{line[2]}(?P<serial>{value})")
    return None


def _should_not_change(globs: Sequence[str]) -> str:
    if len(globs) == 1:
        return f"{globs[0]} differs in nearly all sets, yet by its name it should not. Look whether it is volatile."
    more = f", and {len(globs) - 3} more" if len(globs) > 3 else ""
    return (
        f"{', '.join(globs[:3])}{more} differ in nearly all sets, yet by their names they should not. Look whether they"
        " are volatile."
    )


# Doubts


def _reading_doubts(contents: Sequence[Content]) -> Iterable[str]:
    yield f"the recipe is guessed from {len(contents)} of the sets; a person who knows them should read it through."
    broken = [content.path for content in contents if not content.whole]
    if broken:
        yield f"{len(broken)} of these sets could not be read through, or are too large to: {named(broken)}."
    empty = [content.path for content in contents if content.whole and not content.files]
    if empty:
        yield f"{len(empty)} of these sets are empty: {named(empty)}."


def named(names: Sequence[str]) -> str:
    """The first few of some names."""
    return ", ".join(names[:3]) + (", …" if len(names) > 3 else "")


def _missing_doubts(parts: Sequence[PartGuess]) -> Iterable[str]:
    names = {part.name for part in parts}
    for name, what in LOST_WITHOUT.items():
        if name not in names:
            yield f"no name in the sets tells of {what}. Which files are the part {name}?"
    own = sorted(names - set(PART_ORDER))
    if own:
        yield (
            f"what these parts are for is not known, only that every set has them: {', '.join(own)}. Where one of them"
            " is a part named above, give it that name in its table below."
        )


def _holder_doubts(unit: Unit, contents: Sequence[Content]) -> Iterable[str]:
    there = {content.path for content, _ in unit.found}
    missing = [content.path for content in contents if content.whole and content.path not in there]
    if missing and unit.role != "history":
        yield f"{len(missing)} of {len(contents)} sets have no {unit.glob} and would be incomplete: {named(missing)}."


def _rare_doubts(rare: Sequence[Unit], endings: Sequence[Ending], count: int) -> Iterable[str]:
    grouped = {unit.glob for ending in endings for unit in ending.units}
    names = [f"{unit.pattern} ({unit.holders} of {count} sets)" for unit in rare if unit.glob not in grouped]
    if names:
        yield f"not every set has these, so they are not demanded: {named(names)}."
    for name in {unit.role for unit in rare if unit.glob not in grouped} & set(LOST_WITHOUT):
        arms = sorted({content.arm for unit in rare if unit.role == name for content, _ in unit.found})
        yield f"only some arms have {name} ({named(arms)}). Give the others a recipe of their own."


def _size_doubts(required: Sequence[Unit]) -> Iterable[str]:
    for unit in required:
        if unit.is_folder or unit.role == "history":
            continue
        sizes = [(content.files[stored(content, path)], content.path) for content, path in unit.found]
        smallest, where = min(sizes)
        if smallest * 4 < median(size for size, _ in sizes) or smallest == 0:
            yield f"{unit.glob} has only {smallest} bytes in {where}, far less than elsewhere. Is that set whole?"
        for content, path in unit.found if unit.role == "image" else ():
            head = content.head(stored(content, path))
            if head and len(set(head)) == 1:
                yield f"{unit.glob} of {content.path} begins blank: every byte there is the same. Is that set whole?"
