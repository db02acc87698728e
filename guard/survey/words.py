"""What the names of files and folders tell of their part in a backup set. Pure."""

from __future__ import annotations

import re

_WORDS = {
    # The first that fits counts: an error log of the memory is a log.
    "history": "history histories log logs counter counters clock clocks alarms events errors journal statistics stats",
    "axis-zero": "zero zeros zeroing axiszero calibration calib encoder encoders resolver resolvers",
    "image": "image images memory mem snapshot flash memimage memoryimage",
    "programs": "program programs prog progs programme programmes job jobs task tasks routine routines",
    "signals": "signal signals io inputs outputs fieldbus",
    "settings": "setting settings config configs configuration configurations parameter parameters param params setup",
}
_ROLES = {role: frozenset(words.split()) for role, words in _WORDS.items()}

_AXIS_AND = frozenset("reference references ref refs offset offsets count counts home position positions".split())

_KINDS = frozenset(
    (
        "full diff differential inc incr incremental auto automatic manual scheduled hourly nightly daily weekly"
        " monthly yearly before after pre post old new latest current archive archives archived backup backups bak"
        " bkp save saved saves set sets good raw final copy dump dumps export exports"
    ).split()
)

FILLERS = "backups|backup|bak|bkp|saved|save|dump|export"
"""Words in front of an arm's id, or behind it, that are no part of it."""


def words(name: str) -> list[str]:
    """The words of a name in small letters: cut at signs, digits and humps."""
    humps = re.sub(r"(?<=[a-z])(?=[A-Z])", " ", name)
    return re.findall(r"[^\W\d_]+", humps.lower())


def role(name: str) -> str | None:
    """The part of a set that a file or folder of this name belongs to; None where it tells nothing."""
    found = set(words(name))
    for part, telling in _ROLES.items():
        if found & telling or (part == "axis-zero" and "axis" in found and found & _AXIS_AND):
            return part
    return None


def is_kind(name: str) -> bool:
    """Whether a name tells a kind of backup, such as full or auto, and so no arm and no area."""
    found = words(name)
    return bool(found) and _KINDS.issuperset(found)
