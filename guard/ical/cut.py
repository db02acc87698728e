"""Cuts a calendar file into its entries without reading any of them in full.

A calendar of 50 MB holds a few entries that matter; only those are worth the time that reading
one takes. And an entry that is broken costs itself alone.
"""

from __future__ import annotations

import re
from array import array
from bisect import bisect_left
from collections.abc import Iterator

from guard.record import Record

_BORDER = re.compile(rb"^(BEGIN|END):([A-Za-z0-9-]+)[ \t]*\r?$", re.MULTILINE | re.IGNORECASE)
_PROPERTY = re.compile(r'([A-Za-z0-9-]+)((?:;(?:"[^"]*+"|[^":;]++)*+)*+):(.*)', re.DOTALL)
_LINE = re.compile(rb"[^\n]++(?:\n[ \t][^\n]*+)*+")
"""A line with those that continue it, RFC 5545 section 3.1. Nothing in either is tried twice, so that length costs no memory."""
_FOLDS = (b"\r\n ", b"\r\n\t", b"\n ", b"\n\t")


class Block(Record):
    """The bytes of one component, without the lines that begin and end it.

    ``ended`` is False where the next one began before this one ended, or where the line that begins it is not there.
    """

    begin: int
    end: int
    ended: bool = True


class Cut(Record):
    """A file in pieces; it may hold several calendars. ``whole`` tells that each of them ends as a calendar must.

    ``heads`` are what stands in each before its first entry.
    """

    raw: bytes
    entries: tuple[Block, ...]
    tasks: tuple[Block, ...]
    zones: tuple[Block, ...]
    heads: tuple[Block, ...]
    is_calendar: bool
    whole: bool


class Lines:
    """Tells the number of the line at a place in the file, from 1."""

    def __init__(self, raw: bytes) -> None:
        self._raw = raw
        self._ends: array[int] | None = None

    def number(self, at: int) -> int:
        """The number of the line that this place is in."""
        if self._ends is None:
            self._ends = array("q", (end.start() for end in re.finditer(b"\n", self._raw)))
        return bisect_left(self._ends, at) + 1


class Property(Record):
    """One property of a component: its name in capitals, its parameters as they stand, its raw value, and its place in the file."""

    name: str
    parameters: str
    value: str
    at: int

    def parameter(self, name: str) -> str | None:
        """The value of a parameter, without quotes; None where it is not given."""
        found = re.search(rf';{name}=("[^"]*"|[^;]*)', self.parameters, re.IGNORECASE)
        return None if found is None else found[1].strip('"')


def cut(raw: bytes) -> Cut:
    """Cut a file into its entries, its tasks and its descriptions of zones.

    No line that is missing or broken costs more than the entry that it belongs to: what begins within another ends
    that one, and what ends without having begun is an entry that is not whole.
    """
    found: dict[bytes, list[Block]] = {b"VEVENT": [], b"VTODO": [], b"VTIMEZONE": [], b"VCALENDAR": []}
    calendars: list[bytes] = []
    opened, kind, before, last = 0, b"", 0, 0
    for border in _BORDER.finditer(raw):
        word, name = border[1].upper(), border[2].upper()
        if name not in found:
            continue
        if kind == b"VEVENT" and (word == b"BEGIN" or name == b"VCALENDAR"):
            found[kind].append(Block(opened, border.start(), ended=False))
        elif kind == b"VCALENDAR" and (word == b"BEGIN" or name == kind):
            found[kind].append(Block(opened, border.start()))
        if name == b"VCALENDAR":
            calendars.append(word)
            last = border.end()
        if word == b"BEGIN":
            kind, opened = name, border.end()
        else:
            if name == b"VEVENT":
                found[name].append(Block(opened if kind == name else before, border.start(), ended=kind == name))
            elif name == kind != b"VCALENDAR":
                found[name].append(Block(opened, border.start()))
            kind = b""
        before = border.end()
    if kind == b"VEVENT":
        found[kind].append(Block(opened, len(raw), ended=False))
    whole = calendars == [b"BEGIN", b"END"] * (len(calendars) // 2) and not raw[last:].strip()
    entries, tasks, zones, heads = (tuple(blocks) for blocks in found.values())
    return Cut(raw, entries, tasks, zones, heads, calendars[:1] == [b"BEGIN"], whole)


def properties(source: Cut, block: Block) -> Iterator[Property]:
    """The properties of a component, unfolded, without those of components within it. A line that is none has no name."""
    inside = 0
    for line in _LINE.finditer(source.raw, block.begin, block.end):
        found = _PROPERTY.fullmatch(raw_text(unfolded(line[0]).rstrip(b"\r")))
        name = "" if found is None else found[1].upper()
        if found is None:
            if inside <= 0 and line[0].strip():
                yield Property("", "", raw_text(line[0]), line.start())
        elif name in ("BEGIN", "END"):
            inside += 1 if name == "BEGIN" else -1
        elif inside <= 0:
            yield Property(name, found[2], found[3], line.start())


def unfolded(raw: bytes) -> bytes:
    """Some lines, each joined with those that continue it."""
    for fold in _FOLDS:
        raw = raw.replace(fold, b"")
    return raw


def raw_text(raw: bytes) -> str:
    """The text of some bytes; what is no UTF-8 is carried along as it is."""
    return raw.decode("utf-8", "surrogateescape")
