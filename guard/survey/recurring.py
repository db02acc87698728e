"""What recurs in the sets of an unknown share, as patterns that a recipe can hold."""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Sequence

from guard.record import Record
from guard.share.checksums import PAYLOAD, is_bag, is_checksum_list, saved_as
from guard.survey.contents import Content
from guard.survey.naming import is_plain
from guard.survey.stamps import whole_stamp
from guard.survey.words import role

RECURS = 0.8
"""What this share of the sets holds belongs to a whole set."""

PART_ORDER = ("programs", "axis-zero", "settings", "signals", "image", "history")


class Unit(Record):
    """What recurs at the top of the sets: a folder, or a file; as a pattern, with where it was found."""

    glob: str
    is_folder: bool
    found: tuple[tuple[Content, str], ...]

    @property
    def holders(self) -> int:
        """How many sets have it."""
        return len({content.path for content, _ in self.found})

    @property
    def role(self) -> str | None:
        """The part that its name tells."""
        return role(self.glob)

    @property
    def pattern(self) -> str:
        """The pattern of the files that belong to it."""
        return f"{self.glob}/**" if self.is_folder else self.glob


def units_of(contents: Sequence[Content]) -> list[Unit]:
    """The folders and files at the top of these sets, each with the sets that have it."""
    base = _base(contents)
    found: dict[tuple[str, bool], list[tuple[Content, str]]] = defaultdict(list)
    for content in contents:
        for path in payload(content):
            first, slash, _ = path[len(base) :].partition("/")
            found[base + glob_of(first, content.arm), bool(slash)].append((content, path))
    return [Unit(glob, is_folder, tuple(where)) for (glob, is_folder), where in sorted(found.items(), key=_by_key)]


def _by_key(item: tuple[tuple[str, bool], object]) -> tuple[str, bool]:
    return item[0]


def payload(content: Content) -> list[str]:
    """The paths that a recipe speaks of: those of a bag without its own files."""
    in_bag = is_bag(content.files)
    names = (saved_as(path, in_bag=in_bag) for path in content.files)
    return [name for name in names if name is not None and (in_bag or not is_checksum_list(name))]


def _base(contents: Sequence[Content]) -> str:
    """The one folder that all sets keep everything in, where it tells nothing by itself."""
    base = ""
    for _ in range(3):
        tops = {path[len(base) :].partition("/")[:2] for content in contents for path in payload(content)}
        if len(tops) != 1:
            return base
        ((top, slash),) = tops
        if not slash or role(top) is not None or glob_of(top, "") != top:
            return base
        base += f"{top}/"
    return base


def glob_of(name: str, arm: str) -> str:
    """A pattern for a name: the arm's id and stamps in it may differ; what cannot be written may be any sign."""
    stamp = whole_stamp(name)
    if stamp is not None:
        name = name[: stamp.start] + "*" + name[stamp.end :]
    if arm and arm in name and name.strip("*") != arm:
        name = name.replace(arm, "*")
    elif arm and name == arm:
        name = "*"
    text = "".join(sign if is_plain(sign) and sign != "\\" else "?" for sign in name)
    return re.sub(r"\*+", "*", text)


class Ending(Record):
    """Files of different names that end alike, where each set has some."""

    pattern: str
    name: str
    units: tuple[Unit, ...]


def by_ending(rare: Sequence[Unit], count: int) -> list[Ending]:
    """The endings that each of so many sets has files of, though no name recurs."""
    endings: dict[str, list[Unit]] = defaultdict(list)
    for unit in rare:
        folder, _, name = unit.glob.rpartition("/")
        ending = name.rpartition(".")[2] if "." in name else ""
        if not unit.is_folder and re.fullmatch(r"[\w-]{1,16}", ending):
            endings[f"{folder}/*.{ending}" if folder else f"*.{ending}"].append(unit)
    found = []
    for pattern, units in sorted(endings.items()):
        holders = {content.path for unit in units for content, _ in unit.found}
        if len(holders) >= RECURS * count and len(units) > 1:
            roles = Counter(unit.role for unit in units)
            most, times = roles.most_common(1)[0]
            name = most if most is not None and times * 2 > len(units) else f"{pattern.rpartition('.')[2]}-files"
            found.append(Ending(pattern, name, tuple(units)))
    return found


def stored(content: Content, path: str) -> str:
    """The path within the set of a file that a recipe speaks of: a bag keeps it below data/."""
    return path if path in content.files else PAYLOAD + path
