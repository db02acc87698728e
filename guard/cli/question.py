"""Understands a question in plain language, in full or not at all.

Every word must belong to something understood: an action, arms, a time, a duration, or the
small words of asking. One word over, a negation or a condition, and the question is refused
with what was understood and what was not. A wrong answer is worse than none.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import datetime, timedelta, tzinfo
from itertools import pairwise

from guard.cli.when import WEEKDAYS, day_or_when, parse_when
from guard.desk import nearest
from guard.errors import NotUnderstood
from guard.model import Action
from guard.plant import Arm
from guard.record import Record
from guard.units import in_words, span

EXAMPLE = 'Ask such as: guard ask "is arm 7 safe to power down friday 06:00 for 8 hours"'


LONGEST = 10_000
"""Nobody asks at greater length, and every word is looked at several times."""


class Asked(Record):
    """A question understood in full. ``action`` is None where it was asked what is due.

    ``about`` is ``window`` where it was asked how long is left, of no arm in particular where
    ``arms`` is empty, and ``restore`` where it was asked which set would be restored, of
    those saved ``before`` a moment where one was named.
    """

    arms: tuple[str, ...]
    action: Action | None
    at: datetime | None
    off_for: timedelta | None
    about: str = "verdict"
    before: datetime | None = None


_ACTIONS: tuple[tuple[str, Action], ...] = (
    (r"(?:power(?:ing)?|be powered)[ -](?:it |them )?(?:down|off)|(?:(?:be )?shut|switch(?:ing)?|be switched) (?:it |them )?(?:down|off)|(?:turn(?:ing)?|be turned) (?:it |them )?off|for (?:a |the )?power-down", "power-down"),
    (r"(?:change|changing|swap|swapping|replace|replacing) (?:the |its |their )?memory cells?|(?:for )?(?:a |the )?memory[ -](?:cell )?swap", "memory-swap"),
    (r"(?:change|changing|swap|swapping|replace|replacing) (?:the |its |their )?position cells?|(?:for )?(?:a |the )?position[ -](?:cell )?swap", "position-swap"),
    (r"(?:servic(?:e|ing)|be serviced)(?: visit)?|for (?:a |the )?service visit", "service-visit"),
)  # fmt: skip
_SPLIT = {"power": "down off", "powering": "down off", "shut": "down off", "switch": "down off", "switching": "down off", "turn": "off", "turning": "off"}  # fmt: skip
"""Verbs between which and their last word the arms may stand: power arm 7 down."""
_NEVER_BETWEEN = frozenset("on up to back again then".split())
_DUE = r"what(?: is|'s)? due|what needs doing"
_WINDOW = r"how long|how much (?:time|longer)"
_LEFT = r"got(?: left)?|left|remaining|been out"
_WINDOW_WORDS = frozenset(
    "has have do does is are there i we you it the window swap of on for in at and right now please ok okay".split()
)
_RESTORE = r"(?:would|should|shall|will|must|could|can|do|to)(?: (?:i|we|you|one))? (?:be )?restored?"
_WHICH = r"which (?:backup )?set|which backup|what"
_RESTORE_WORDS = frozenset("on to for of in at the and i we you right now please ok okay".split())
_REFUSED = frozenset(
    "not never no without unless except if when until till before after but or nor neither only while once unsafe"
    " dangerous cannot".split()
)
_SMALL_WORDS = frozenset(
    "is are be it safe to can may could i we you one please ok okay and the of on for that this there right so"
    " ready allowed possible do does at in a".split()
)
_OF_STATE = frozenset("is are do does".split())
_OF_LEAVE = frozenset("safe may can could ok okay allowed possible ready".split())
"""Whether something is so is another question than whether it may be done: an arm that is powered down may not be
safe to power down, nor the other way round."""
_NOT_IDS = frozenset({"arm", "arms", "robot", "robots", "and"})
"""What joins and announces arms in a list; an arm called so can only be asked about with --arm."""
_TAKEN = "\0"
"""Stands in the rest of a question where something was taken out, so that no list reaches over it."""
_NUMBERS = {
    word: str(number)
    for number, word in enumerate("one two three four five six seven eight nine ten eleven twelve".split(), 1)
} | {"a": "1", "an": "1"}
_UNITS = {"minute": "m", "min": "m", "hour": "h", "day": "d", "week": "w", "year": "y"}
_DURATION = re.compile(
    rf"for (?:the )?([0-9]+(?:\.[0-9]+)?|{'|'.join(_NUMBERS)}) ?({'|'.join(_UNITS)})s?|for ([0-9]+(?:\.[0-9]+)?[smhdwy])"
)
_TIMES = (
    r"[0-9]{4}-[0-9]{2}-[0-9]{2}[t ][0-9]{1,2}:[0-9]{2}(?::[0-9]{2}(?:\.[0-9]+)?)?(?:z|[+-][0-9]{2}:[0-9]{2})?",
    rf"(?:on )?(?:today|tomorrow|{'|'.join(WEEKDAYS)})(?: at)? [0-9]{{1,2}}:[0-9]{{2}}",
    r"in [0-9]+(?:\.[0-9]+)? ?[smhdwy]\b",
    r"\b(?:right )?now\b",
)
_PAST = rf"{_TIMES[0]}|[0-9]{{4}}-[0-9]{{2}}-[0-9]{{2}}|(?:today|yesterday)(?: at)? [0-9]{{1,2}}:[0-9]{{2}}"
"""Times that no other word need tell to be past ones: the next friday is none."""
_ONE_ARM = r"(?=[^\d\s,]*\d)[\w.-]+"
_LONGEST_WORD = 255
"""No id is longer, since no file system holds a longer name; longer words are no words."""


_BEFORE = re.compile(
    r"(?:please )?what(?: still)? (?:(?:must|should|has to|needs to|is to)(?: still)? be done|(?:must|should) (?:i|we) do"
    r"|do (?:i|we) (?:still )?(?:have|need) to do|is (?:still )?(?:due|needed|(?:left )?to do)|needs (?:to be done|doing))"
    r" before (?:the )?(?:event )?(.+)"
)


def event_asked(text: str) -> str | None:
    """The id or title of the event, where it is asked what must be done before one; else None."""
    if len(text) > LONGEST:
        return None
    plain = " ".join(text.replace("’", "'").split()).rstrip("?.! ")
    found = _BEFORE.fullmatch(re.sub(r"^((?:please )?what)'s ", r"\1 is ", plain.lower()))
    return found and found[1].strip("'\"“”„ ")


def understand(text: str, arms: Mapping[str, Arm], now: datetime, zone: Callable[[], tzinfo]) -> Asked:
    """What a question asks. Raises NotUnderstood with what was understood of it and what was not."""
    if len(text) > LONGEST:
        raise NotUnderstood("", f"a question of {len(text)} characters; the most is {LONGEST}", EXAMPLE)
    return _Reading(text, arms, now, zone).asked()


class _Reading:
    def __init__(self, text: str, arms: Mapping[str, Arm], now: datetime, zone: Callable[[], tzinfo]) -> None:
        plain = text.lower().replace(_TAKEN, "\ufffd").replace("?", " ").replace("’", "'")
        self.rest = " " + " ".join(plain.split()).rstrip(" .!") + " "
        self.arms, self.now, self.zone = arms, now, zone
        self.ids = {arm.lower() for arm in arms}
        self.by_number: dict[int, list[str]] | None = None
        self.named_areas: set[str] = set()
        self.understood: list[str] = []

    def asked(self) -> Asked:
        restore = re.search(rf"(?<=[\s,])(?:{_RESTORE})(?=[\s,])", self.rest) is not None
        before = self._before() if restore else None
        self._refuse_conditions()
        if restore:
            return self._about_a_restore(before)
        if self._take_one(_WINDOW, "how long is left", "the question") is not None:
            return self._about_a_window()
        off_for = self._duration()
        at = self._time()
        due = self._take_one(_DUE, "what is due", "the question") is not None
        action = self._action()
        arms = self._arms()
        self._refuse_leftovers(_SMALL_WORDS)
        if action is not None:
            self._refuse_state()
        if due and action is not None:
            raise self._refusal("whether you ask what is due or whether something may be done")
        if action is None and not due:
            raise self._refusal("what shall be done (power down, change the memory cell, …)")
        if not arms and not due:
            raise self._refusal("which arm")
        return Asked(tuple(arms or self.arms), action, at, off_for)

    def _about_a_restore(self, before: datetime | None) -> Asked:
        self._take_one(_RESTORE, "which set would be restored", "the question")
        if self._take_one(_WHICH, "", "the question") is None:
            raise self._refusal("what you want to know about a restore (which set would be restored)")
        self.understood.pop()
        arms = self._arms()
        self._refuse_leftovers(_RESTORE_WORDS)
        if not arms:
            raise self._refusal("which arm")
        return Asked(tuple(arms), None, None, None, "restore", before)

    def _about_a_window(self) -> Asked:
        if self._take_one(_LEFT, "", "the question") is None:
            raise self._refusal("how long what (how long has the window of an arm got)")
        self.understood.pop()
        arms = self._arms()
        self._refuse_leftovers(_WINDOW_WORDS)
        return Asked(tuple(arms), None, None, None, "window")

    def _before(self) -> datetime | None:
        """The moment before which a set must have been saved; a day alone stands for its first instant."""
        match = self._take_one(rf"(?:saved |made )?before (?:{_PAST})", "", "a time")
        if match is None:
            return None
        text = match[0].partition("before ")[2]
        found = day_or_when(text, self.now, self.zone())
        if found > self.now:
            raise self._refusal(f"{match[0]!r}, which is to come")
        self.understood[-1] = f"saved before {text}"
        return found

    def _refuse_leftovers(self, known: frozenset[str]) -> None:
        small = known - self.ids - self.named_areas | {_TAKEN}
        small -= {word for word in small if any(arm.endswith((f"-{word}", f"_{word}", f".{word}")) for arm in self.ids)}
        tokens = ["", *re.findall(r"[^\s,]+|,", self.rest)]
        left = [
            word for before, word in pairwise(tokens) if word != "," and not (word in small and _is_small(word, before))
        ]
        if left:
            raise self._refusal(" ".join(left))

    def _refuse_state(self) -> None:
        words = set(self.rest.split())
        if words & _OF_STATE and not words & _OF_LEAVE:
            raise self._refusal("whether something is so; ask whether it is safe, or may be done")

    def _refusal(self, not_understood: str) -> NotUnderstood:
        return NotUnderstood(_cut(", ".join(self.understood)), _cut(not_understood), EXAMPLE)

    def _refuse_conditions(self) -> None:
        words = re.split(r"[\s,]+", self.rest)
        if max(map(len, words)) > _LONGEST_WORD:
            raise self._refusal(max(words, key=len))
        found = [word for word in words if word in _REFUSED or word.endswith("n't")]
        if found:
            raise self._refusal(
                f"{', '.join(repr(word) for word in found)} (negations, conditions and alternatives are not answered)"
            )

    def _take_one(self, pattern: str, name: str, kind: str) -> re.Match[str] | None:
        """Take the one place that fits out of the rest of the question; two of a kind are refused."""
        found = list(re.finditer(rf"(?<=[\s,])(?:{pattern})(?=[\s,])", self.rest))
        if len(found) > 1:
            raise self._refusal(f"{kind} named twice: {' and '.join(repr(m[0]) for m in found)}")
        if not found:
            return None
        self.rest = f"{self.rest[: found[0].start()]} {_TAKEN} {self.rest[found[0].end() :]}"
        self.understood.append(name or found[0][0])
        return found[0]

    def _duration(self) -> timedelta | None:
        match = self._take_one(_DURATION.pattern, "", "a duration")
        if match is None:
            return None
        taken = _DURATION.fullmatch(match[0])
        if taken is None:
            raise self._refusal(match[0])
        length = taken[3] or f"{_NUMBERS.get(taken[1], taken[1])}{_UNITS[taken[2]]}"
        try:
            found = span(length)
        except ValueError:
            raise self._refusal(match[0]) from None
        if not found:
            raise self._refusal(f"{match[0]!r}, which is no time at all")
        self.understood[-1] = f"for {in_words(found)}"
        return found

    def _time(self) -> datetime | None:
        match = self._take_one("|".join(_TIMES), "", "a time")
        if match is None:
            return None
        text = match[0].removeprefix("right ")
        return self.now if text == "now" else parse_when(text, self.now, self.zone())

    def _action(self) -> Action | None:
        taken = [action for pattern, action in _ACTIONS if self._take_one(pattern, action, "an action")]
        if not taken and self._split_power_down():
            taken = ["power-down"]
        if len(taken) > 1:
            raise self._refusal(f"which of {' and '.join(taken)}")
        return taken[0] if taken else None

    def _split_power_down(self) -> bool:
        """Whether it was asked to power something down, with what it is between the two words; they are then taken out."""
        words = self.rest.split(" ")
        verbs = [place for place, word in enumerate(words) if word in _SPLIT]
        ends = [place for place, word in enumerate(words) if word.strip(",") in ("down", "off")]
        if len(verbs) != 1 or len(ends) != 1 or not verbs[0] + 1 < ends[0]:
            return False
        between = words[verbs[0] + 1 : ends[0]]
        if words[ends[0]].strip(",") not in _SPLIT[words[verbs[0]]].split() or _NEVER_BETWEEN & set(between):
            return False
        words[verbs[0]] = words[ends[0]] = _TAKEN
        self.rest = " ".join(words)
        self.understood.append("power-down")
        return True

    def _arms(self) -> list[str]:
        groups = [group for group in (self._area(), self._all(), self._listed()) if group]
        if len(groups) > 1:
            raise self._refusal("which arms: they are named in two ways")
        return groups[0] if groups else []

    def _all(self) -> list[str]:
        taken = self._take_one(
            r"(?<!at )(?:all|every)(?: the)?(?: arms?| robots?)?(?: of them)?|everything", "all arms", "arms"
        )
        return list(self.arms) if taken else []

    def _area(self) -> list[str]:
        areas = (
            {arm.area.lower(): arm.area for arm in self.arms.values() if arm.area}
            if " in " in self.rest or " area " in self.rest or " arms " in self.rest
            else {}
        )
        for lowered, area in sorted(areas.items(), key=lambda item: -len(item[0])):
            name = re.escape(lowered)
            pattern = (
                rf"(?:(?:all|every|everything|of|the|arms?|robots?) ){{0,4}}in (?:the )?(?:area )?{name}(?: area)?"
                rf"|(?:all )?(?:the )?(?:area )?{name}(?: area)? arms"
            )
            if self._take_one(pattern, f"area {area}", "an area"):
                self.named_areas.update(areas, (area.split()[-1] for area in areas))
                return [arm.id for arm in self.arms.values() if arm.area.lower() == lowered]
        return []

    def _listed(self) -> list[str]:
        present = {arm for arm in self.ids if arm in self.rest} - _NOT_IDS
        ids = sorted(present, key=lambda arm: (-len(arm), arm))
        plain = "|".join(re.escape(arm) for arm in ids if arm not in _SMALL_WORDS) or "(?!)"
        marked = rf"(?:arms?|robots?) (?:{'|'.join(map(re.escape, ids)) or '(?!)'}|#?{_ONE_ARM})|#{_ONE_ARM}"
        more = rf"(?:\s*,\s*(?:and )?|\s+and\s+)(?:{marked}|{plain}|{_ONE_ARM})"
        match = self._take_one(rf"(?:{marked}|{plain})(?:{more})*", "", "arms")
        if match is None:
            return []
        names = dict.fromkeys(name for name in re.split(r"[\s,]+", match[0]) if name not in _NOT_IDS)
        found = [self._one(name.lstrip("#")) for name in names]
        self.understood[-1] = ", ".join(found)
        return list(dict.fromkeys(found))

    def _one(self, name: str) -> str:
        """The one arm of that id or number. A number that names no arm is never rounded to one that does."""
        fitting = [arm for arm in self.arms if arm.lower() == name] or self._numbered(name)
        if len(fitting) == 1:
            return fitting[0]
        self.understood.pop()
        if fitting:
            raise self._refusal(f"which of {', '.join(fitting)} is meant by {name!r}")
        near = nearest(name, self.arms)
        hint = f" (did you mean {' or '.join(near)}?)" if near else ""
        raise self._refusal(f"{name!r}, which names no arm{hint}")

    def _numbered(self, name: str) -> list[str]:
        """The arms whose ids end in this number."""
        if not (name.isascii() and name.isdecimal()):
            return []
        if self.by_number is None:
            self.by_number = {}
            for arm in self.arms:
                digits = re.search(r"[0-9]+$", arm)
                if digits:
                    self.by_number.setdefault(int(digits[0]), []).append(arm)
        return self.by_number.get(int(name), [])


def _is_small(word: str, before: str) -> bool:
    """Whether a small word, by the one before it, stands for no further name: hall B and A, line II and I, arms 7 and one."""
    if word == "one":
        return before in _OF_LEAVE
    return word not in ("a", "i") or before not in ("and", ",", _TAKEN)


def _cut(text: str) -> str:
    return text if len(text) <= 300 else f"{text[:300]}…"
