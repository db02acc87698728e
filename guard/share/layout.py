"""How a share is laid out: patterns such as ``{arm}/{taken:%Y-%m-%d_%H%M}`` over the names below it."""

from __future__ import annotations

import re
from collections.abc import Iterable
from datetime import UTC, datetime, timedelta, timezone, tzinfo
from itertools import pairwise

from guard.record import Record
from guard.times import earliest_reading

ARCHIVE_SUFFIXES = (".tar.gz", ".tgz", ".tar", ".zip")


def is_zip(path: str) -> bool:
    """Whether an archive's name says that it is a zip, in which times are local ones, as a rule."""
    return path.lower().endswith(".zip")


_DIRECTIVES = {
    "Y": "[0-9]{4}",
    "y": "[0-9]{2}",
    "m": "[0-9]{2}",
    "d": "[0-9]{2}",
    "j": "[0-9]{3}",
    "H": "[0-9]{2}",
    "M": "[0-9]{2}",
    "S": "[0-9]{2}",
    "z": "Z|[+-][0-9]{4}",
}
ANYTHING = ".+?"
_DAY = timedelta(days=1)
_FIELD = re.compile(r"\{(\w+)(?::([^{}]*))?\}")


class LayoutFault(ValueError):
    """A layout that cannot serve; ``wrong`` and ``right`` are for the person who wrote it."""

    def __init__(self, wrong: str, right: str) -> None:
        super().__init__(wrong)
        self.wrong, self.right = wrong, right


class Match(Record):
    """What the names of a path say: the arm's id, and the stamp's digits by directive."""

    arm: str | None
    stamp: tuple[tuple[str, str], ...]


NOTHING_YET = Match(None, ())

UNTOLD_ARM = "?"
"""Stands for the arm where a name fits none or several; no arm's id can be this."""


class Segment:
    """One name of a layout: literal text, fields, or both."""

    def __init__(self, text: str) -> None:
        fields = [field[1] for field in _FIELD.finditer(text)]
        free = [name for name in fields if name != "taken"]
        self.text = text
        self.only_arm = set(fields) == {"arm"}
        """The name follows from the arm's id alone, so a look for one arm need not list the folder."""
        self._ambiguous = "arm" in free and len(free) > 1
        self.directives = [d for field in _FIELD.finditer(text) for d in _directives(field)]
        self._regex: re.Pattern[str] | None = None
        self._for_arm: dict[str, re.Pattern[str]] = {}

    def name_for(self, arm: str) -> str:
        """The one name that this segment has for an arm. Only where ``only_arm`` holds."""
        return self.text.replace("{arm}", arm)

    def match(self, name: str, known: Match, arms: Iterable[str]) -> Match | None:
        """What the name adds to what is known from the names above; None where it does not fit.

        Where the arm's id stands beside another free field, several ids may fit one name;
        then none of them is believed, and UNTOLD_ARM stands for the arm.
        """
        if self._regex is None:
            self._regex = self._compiled(ANYTHING)
        found = self._regex.fullmatch(name)
        if found is None:
            return None
        arm = found["arm"] if "arm" in self._regex.groupindex else None
        if self._ambiguous:
            possible = arms if known.arm is None else (known.arm,)
            fitting = [each for each in possible if each in name and self._with(each).fullmatch(name)]
            arm = fitting[0] if len(fitting) == 1 else UNTOLD_ARM
        if None not in (arm, known.arm) and arm != known.arm:
            return None
        stamp = tuple([(d, found[f"t{n}"]) for n, d in enumerate(self.directives)])
        return Match(arm or known.arm, known.stamp + stamp)

    def _with(self, arm: str) -> re.Pattern[str]:
        if arm not in self._for_arm:
            self._for_arm[arm] = self._compiled(re.escape(arm))
        return self._for_arm[arm]

    def _compiled(self, arm: str) -> re.Pattern[str]:
        """The name as a regular expression, where ``arm`` is what stands for the arm's id.

        A field that may be anything takes as little as lets what stands up to the next such field follow; that is never
        tried anew, since the next one can take up whatever this one left. So a long name costs no more than its length.
        Only an arm's id that is not known and stands twice is looked for with all that may lie between.
        """
        pieces, end, digits = [""], 0, 0
        for field in _FIELD.finditer(self.text):
            pieces[-1] += re.escape(self.text[end : field.start()])
            end = field.end()
            if field[1] == "taken":
                pieces[-1] += _stamp_pattern(field[2], digits)
                digits += len(_directives(field))
            elif field[1] == "arm":
                pieces[-1] += "(?P=arm)" if "(?P<arm>" in "".join(pieces) else f"(?P<arm>{arm})"
            else:
                pieces.append(ANYTHING)
        pieces[-1] += re.escape(self.text[end:])
        if arm != ANYTHING or "(?P=arm)" not in "".join(pieces):
            pieces[1:-1] = [f"(?>{piece})" for piece in pieces[1:-1]]
        return re.compile("".join(pieces), re.DOTALL)


def _directives(field: re.Match[str]) -> list[str]:
    return re.findall("%(.)", field[2] or "") if field[1] == "taken" else []


def _stamp_pattern(form: str, number: int) -> str:
    pieces = []
    for piece in re.split("(%.)", form):
        if piece.startswith("%"):
            pieces.append(f"(?P<t{number}>{_DIRECTIVES[piece[1]]})")
            number += 1
        else:
            pieces.append(re.escape(piece))
    return "".join(pieces)


class Layout:
    """One layout: a segment for each level of folders below the share, the last one being the set."""

    def __init__(self, text: str) -> None:
        """Take a layout apart. Raises LayoutFault where it cannot tell one arm from another."""
        self.text = text
        names = text.split("/")
        if not text or any(name in ("", ".", "..") for name in names) or "\\" in text:
            raise LayoutFault(f"{text!r} is no path of names", "write names separated by /, such as {arm}/{any}")
        _check_fields(text)
        for name in names:
            _check_name(text, name)
        self.segments = tuple(Segment(name) for name in names)

    @property
    def grain(self) -> timedelta:
        """How exactly a stamp of this layout tells the time: to a minute, an hour or a day; a minute where it has none."""
        told = {directive for segment in self.segments for directive in segment.directives}
        return timedelta(minutes=1) if not told or told & {"M", "S"} else timedelta(hours=1) if "H" in told else _DAY


def _check_fields(text: str) -> None:
    fields = list(_FIELD.finditer(text))
    torn = [field[0] for field in fields if "/" in field[0]]
    if torn:
        raise LayoutFault(
            f"{torn[0]} in {text!r} goes over several folders", "give each its own, such as {taken:%Y}/{taken:%m%d}"
        )
    rest = _FIELD.sub("", text)
    if "{" in rest or "}" in rest:
        raise LayoutFault(f"{text!r} has a brace that belongs to no field", "fields are {arm} {taken:…} {area} {any}")
    unknown = [field[1] for field in fields if field[1] not in ("arm", "taken", "area", "any")]
    if unknown:
        raise LayoutFault(f"{text!r} has the unknown field {{{unknown[0]}}}", "fields are {arm} {taken:…} {area} {any}")
    if not any(field[1] == "arm" for field in fields):
        raise LayoutFault(f"{text!r} cannot tell arms apart", "put {arm} where the arm's id stands")
    for field in fields:
        if field[1] == "taken":
            _check_stamp(text, field[2] or "")
        elif field[2] is not None:
            raise LayoutFault(f"{field[0]} in {text!r} takes no format", f"write {{{field[1]}}}")
    for left, right in pairwise(fields):
        if left.end() == right.start() and "taken" not in (left[1], right[1]):
            raise LayoutFault(
                f"{left[0]}{right[0]} in {text!r} cannot tell arms apart",
                "put a separator such as - or / between the two",
            )


def _check_name(text: str, name: str) -> None:
    free = [field[1] for field in _FIELD.finditer(name) if field[1] != "taken"]
    if free.count("arm") > 1 and len(free) > free.count("arm") + 1:
        raise LayoutFault(f"{name!r} in {text!r} leaves too much open", "write {arm} once where it stands beside {any}")


def _check_stamp(text: str, form: str) -> None:
    directives = re.findall(r"%(.?)", form)
    if not directives or any(directive not in _DIRECTIVES for directive in directives):
        known = " ".join(f"%{directive}" for directive in _DIRECTIVES)
        raise LayoutFault(
            f"{{taken:{form}}} in {text!r} is no stamp this tool can read",
            f"use {known}, such as {{taken:%Y-%m-%d_%H%M}}",
        )


def stem(name: str) -> str | None:
    """The name of an archive without its suffix; None where it is no archive's name."""
    lowered = name.lower()
    for suffix in ARCHIVE_SUFFIXES:
        if lowered.endswith(suffix) and len(name) > len(suffix):
            return name[: -len(suffix)]
    return None


def stamp_time(stamp: tuple[tuple[str, str], ...]) -> datetime | None:
    """The time that a stamp's digits stand for: naive, or aware where it has an offset.

    None where there are too few digits for a day. Raises ValueError where there is no such
    day or hour, or where the stamp contradicts itself.
    """
    digits = dict(stamp)
    if len(set(stamp)) > len(digits):  # one name says another year, month, … than the name above it
        raise ValueError(stamp)
    try:
        return _time(digits)
    except OverflowError:
        raise ValueError(stamp) from None


def _time(digits: dict[str, str]) -> datetime | None:
    year = digits.get("Y") or "20" + digits.get("y", "")
    hour, minute, second = int(digits.get("H", 0)), int(digits.get("M", 0)), int(digits.get("S", 0))
    if len(year) != len("2026"):
        return None
    if "j" in digits:
        first = datetime(int(year), 1, 1, hour, minute, second)  # noqa: DTZ001
        time = first + timedelta(days=int(digits["j"]) - 1)
        if time.year != first.year:
            raise ValueError(digits)
    elif "m" in digits and "d" in digits:
        time = datetime(int(year), int(digits["m"]), int(digits["d"]), hour, minute, second)  # noqa: DTZ001
    else:
        return None
    return time.replace(tzinfo=_offset(digits["z"])) if "z" in digits else time


def stamp_moment(time: datetime, zone: tzinfo) -> datetime | None:
    """The instant of a stamp, the earliest where its local time allows several.

    None where it lies outside the calendar.
    """
    try:
        return time.astimezone(UTC) if time.tzinfo else earliest_reading(time, zone)
    except OverflowError:
        return None


def _offset(text: str) -> timezone:
    if text == "Z":
        return timezone(timedelta())
    sign = -1 if text[0] == "-" else 1
    offset = sign * timedelta(hours=int(text[1:3]), minutes=int(text[3:5]))
    return timezone(offset)
