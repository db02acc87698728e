"""Recognises the stamps that people put into the names of backups, in the directives of a layout. Pure."""

from __future__ import annotations

import re

from guard.record import Record

DAY = frozenset("Ymd")
"""The digits that tell a day, where the day of the year does not."""

_YEAR = r"(?P<Y>(?:19|20)\d\d)"
_MONTH = r"(?P<m>0[1-9]|1[0-2])"
_OF_MONTH = r"(?P<d>0[1-9]|[12]\d|3[01])"
_CLOCK = r"(?P<H>[01]\d|2[0-3])(?P<s3>[-_.:h]?)(?P<M>[0-5]\d)(?:(?P=s3)(?P<S>[0-5]\d))?"
_TIME = rf"(?:(?P<s2>[-_ .@]?T?[-_ .@]?){_CLOCK}(?P<z>Z|[+-]\d{{4}})?)?"

_DATES = (
    rf"{_YEAR}(?P<s1>[-_. ]?){_MONTH}(?P=s1){_OF_MONTH}",
    rf"{_YEAR}(?P<s1>[-_.]?)(?P<j>00[1-9]|0[1-9]\d|[12]\d\d|3[0-5]\d|36[0-6])",
    # Day and month, or month and day: which of the two, only many names together can tell.
    rf"(?P<a>0[1-9]|[12]\d|3[01])(?P<s1>[-_. ]?)(?P<b>0[1-9]|[12]\d|3[01])(?P=s1){_YEAR}",
    rf"(?P<y>[0-4]\d){_MONTH}{_OF_MONTH}",
)
_WHOLE = tuple(re.compile(rf"(?<!\d){date}{_TIME}(?!\d)", re.ASCII) for date in _DATES)

_FURTHER = {
    # what is known from the names above: what a name alone may add
    frozenset(): (rf"{_YEAR}(?P<s1>[-_.]?){_MONTH}", _YEAR),
    frozenset("Y"): (rf"{_MONTH}(?P<s1>[-_.]?){_OF_MONTH}", _MONTH),
    frozenset("Ym"): (_OF_MONTH,),
}
_LONE_TIME = re.compile(rf"(?:(?<=[-_ .@T])|(?<![^-_ .@])){_CLOCK}(?![^-_ .@)])", re.ASCII)


class Stamp(Record):
    """A stamp within a name: its form, and where it stands.

    In the form %1 and %2 stand for a day and a month in an order that is still open.
    """

    form: str
    start: int
    end: int
    text: str

    @property
    def directives(self) -> frozenset[str]:
        """What the stamp tells; an open order tells day and month all the same."""
        return directives(self.form)


def directives(form: str) -> frozenset[str]:
    """The directives of a form."""
    return frozenset({"1": "d", "2": "m", "y": "Y"}.get(d, d) for d in re.findall("%(.)", form))


def tells_day(known: frozenset[str]) -> bool:
    """Whether these digits tell a day."""
    return known >= DAY or known >= {"Y", "j"}


def whole_stamp(name: str) -> Stamp | None:
    """The stamp in a name that tells at least a day; None where there is none."""
    for pattern in _WHOLE:
        found = pattern.search(name)
        if found is not None and _is_a_day(found.groupdict()):
            return _stamp(found)
    return None


def further_stamp(name: str, known: frozenset[str]) -> Stamp | None:
    """What a whole name adds to the digits known from the names above: a month, a day, a time of day."""
    patterns = _FURTHER.get(known, ())
    if tells_day(known) and "H" not in known:
        patterns = (_CLOCK,)
    for pattern in patterns:
        found = re.fullmatch(pattern, name, re.ASCII)
        if found is not None:
            return _stamp(found)
    return None


def lone_time(name: str, known: frozenset[str]) -> Stamp | None:
    """A time of day within a longer name whose day is told by the names above."""
    if not tells_day(known) or "H" in known:
        return None
    found = _LONE_TIME.search(name)
    return None if found is None or found[0] == name else _stamp(found)


def _is_a_day(digits: dict[str, str | None]) -> bool:
    first, second = digits.get("a"), digits.get("b")
    return first is None or second is None or min(first, second) <= "12"


def _stamp(found: re.Match[str]) -> Stamp:
    marks = {"a": "%1", "b": "%2"}
    pieces, at = [], found.start()
    spans = [(found.span(name), name) for name in found.groupdict() if not name.startswith("s") and found[name]]
    for (start, end), name in sorted(spans):
        pieces.append(found.string[at:start] + marks.get(name, f"%{name}"))
        at = end
    return Stamp("".join(pieces), found.start(), found.end(), found[0])


class Order(Record):
    """What many names tell of the open order of day and month."""

    day_first: int
    month_first: int


def order_told(stamps: list[Stamp]) -> Order:
    """How many stamps can only be read with the day first, and how many only with the month first."""
    day_first = month_first = 0
    for stamp in stamps:
        first, second = re.findall(r"\d\d", stamp.text)[:2]
        day_first += first > "12"
        month_first += second > "12"
    return Order(day_first, month_first)


def settled(form: str, order: Order) -> str:
    """The form with its open order filled in; the day first unless the names tell otherwise."""
    first, second = ("%m", "%d") if order.month_first > order.day_first else ("%d", "%m")
    return form.replace("%1", first).replace("%2", second)
