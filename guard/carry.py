"""The use cases of restoring: which set would be restored, and carrying it to a medium."""

from __future__ import annotations

from datetime import datetime

from guard.desk import Desk
from guard.gather import look_again
from guard.model import ArmFacts
from guard.record import Record
from guard.rules.restore import Choice, choose


class Chosen(Record):
    """Which set would be restored, and the facts that this rests on."""

    choice: Choice
    facts: ArmFacts


def choose_set(desk: Desk, arm: str, before: datetime | None = None, named: str | None = None) -> Chosen:
    """Which set of an arm would be restored, once every file of it was looked at as it is on the share now."""
    (facts,) = desk.facts([arm])
    while True:
        choice = choose(facts, before, named)
        if choice.chosen is None or choice.doubt is not None:
            return Chosen(choice, facts)
        changed = look_again(facts, choice.chosen.set, desk.ground(), desk.catalogue)
        if changed is None:
            return Chosen(choice, facts)
        facts = changed
