"""Takes the names of an unknown share apart: which of their pieces are stamps, and which stand for something. Pure."""

from __future__ import annotations

import re

from guard.config_values import Wrong, arm_id
from guard.record import Record
from guard.survey.stamps import Stamp, lone_time, whole_stamp
from guard.survey.stamps import further_stamp as further
from guard.survey.words import FILLERS

FREE = "\0"
"""Stands in a shape for a piece that differs from name to name. No file system allows it in a name."""

_SIGNS = r"[\s_.\-()\[\]@#~+=,]+"
_LEADING_FILLER = re.compile(rf"({FILLERS})([-_ .]+)(?=.)", re.IGNORECASE)
_TRAILING_FILLER = re.compile(rf"(?<=.)([-_ .]+)({FILLERS})$", re.IGNORECASE)


class Pieces(Record):
    """A name taken apart: its shape with FREE for every value, the values, and the stamps in it."""

    shape: str
    values: tuple[str, ...] = ()
    stamps: tuple[Stamp, ...] = ()

    def __add__(self, other: Pieces) -> Pieces:  # type: ignore[override]
        return Pieces(self.shape + other.shape, self.values + other.values, self.stamps + other.stamps)

    @property
    def directives(self) -> frozenset[str]:
        """What the stamps tell."""
        return frozenset().union(*(stamp.directives for stamp in self.stamps))


NOTHING = Pieces("")


def pieces_of(name: str, known: frozenset[str], *, with_time: bool) -> Pieces:
    """Take a name apart, where the names above it told these directives.

    ``with_time`` reads a number such as 0510 beside other text as a time of day.
    """
    stamp = whole_stamp(name) or further(name, known)
    if stamp is None:
        has_time = with_time and lone_time(name, known) is not None
        return _text_pieces(name, known, with_time=True) if has_time else _without_fillers(name)
    now = known | stamp.directives
    before, after = name[: stamp.start], name[stamp.end :]
    left = _text_pieces(before, now, with_time=with_time) if before else NOTHING
    right = _text_pieces(after, now, with_time=with_time) if after else NOTHING
    return left + Pieces(f"{{taken:{stamp.form}}}", (), (stamp,)) + right


def _text_pieces(text: str, known: frozenset[str], *, with_time: bool) -> Pieces:
    time = lone_time(text, known) if with_time else None
    if time is None:
        return _trimmed(text)
    left, right = _trimmed(text[: time.start]), _trimmed(text[time.end :])
    return left + Pieces(f"{{taken:{time.form}}}", (), (time,)) + right


def _trimmed(text: str) -> Pieces:
    """A piece of text without the signs at its ends; words such as backup stand apart."""
    leading = re.match(_SIGNS, text)
    left = leading[0] if leading else ""
    trailing = re.search(f"{_SIGNS}$", text[len(left) :])
    right = trailing[0] if trailing else ""
    middle = text[len(left) : len(text) - len(right)]
    return Pieces(left) + (_without_fillers(middle) if middle else NOTHING) + Pieces(right)


def _without_fillers(text: str) -> Pieces:
    leading = _LEADING_FILLER.match(text)
    if leading:
        return Pieces(FREE + leading[2], (leading[1],)) + _without_fillers(text[leading.end() :])
    trailing = _TRAILING_FILLER.search(text)
    if trailing:
        return _without_fillers(text[: trailing.start()]) + Pieces(trailing[1] + FREE, (trailing[2],))
    return Pieces(FREE, (text,))


def mask(name: str) -> str:
    """A name with every number made equal: arm-07 and arm-12 have one mask."""
    return re.sub(r"[0-9]+", "#", name)


def is_arm_id(name: str) -> bool:
    """Whether a name can be an arm's id: what the configuration allows."""
    try:
        arm_id(name)
    except Wrong:
        return False
    return True


def is_plain(name: str) -> bool:
    """Whether a name can stand in a configuration as it is: UTF-8 without anything that steers or hides."""
    return all(sign == " " or sign.isprintable() for sign in name) and "\ufffd" not in name
