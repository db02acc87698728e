"""The use cases that most faces share, one method each. What one face alone wants is a module beside this one."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator
from datetime import datetime, timedelta
from functools import cached_property

from guard import clock
from guard.errors import AmbiguousSet, GuardError, ShareDoubtful, ShareUnreadable, UnknownArm, UnknownSet
from guard.gather import Recorded, gather, recorded, see, still_to_come
from guard.model import ArmFacts, FileFacts, Mark, PlannedEvent, Question, Verdict
from guard.rules.evidence import FIRST_MOMENT, earlier, seconds, utc
from guard.rules.lapses import accounts, may_have_lapsed
from guard.rules.share import is_in_doubt
from guard.rules.standing import standing
from guard.rules.verdict import place, verdict
from guard.settings import Settings
from guard.share.ground import Ground
from guard.share.layout import Layout
from guard.store import changes
from guard.store.anchor import refuse_new, refuse_overtaken, refuse_shortened, remember
from guard.store.catalogue import Catalogue
from guard.store.cells import Spare, stock
from guard.store.encoding import canonical
from guard.store.known import Known
from guard.store.ledger import Check, Entry, Ledger, mark_body
from guard.store.proofs import note
from guard.store.service import silent_since

TYPE_CHECKING = False

if TYPE_CHECKING:  # reading sets needs archives and digests, which no question does
    from types import TracebackType

    from guard.plan.warnings import Raised
    from guard.share.look import PlaceReport, Progress
    from guard.share.prove import Proved
    from guard.store.events import Added


ABOUT_MEMORY = ("powered-on", "powered-off", "cell-changed", "re-zeroed", "memory-checked")
"""Marks after which it may turn out that an arm's memory is whole."""


TELL_EVERY = timedelta(seconds=2)
"""To carry what was found of a set into the ledger takes longer than to read a small one back."""


class _Recording:
    def __init__(self, desk: Desk) -> None:
        self.desk = desk

    def __enter__(self) -> Ledger:
        return self.desk.records

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if error is None:
            self.desk.remember_ledger()


class Desk:
    """Everything that can be done, over one configuration."""

    def __init__(
        self,
        settings: Settings,
        now: Callable[[], datetime] = clock.now,
        clocks: Callable[[], clock.Reading] = clock.reading,
    ) -> None:
        self.settings, self.now, self.clocks = settings, now, clocks

    @cached_property
    def catalogue(self) -> Catalogue:
        """The catalogue, opened when it is first needed."""
        return Catalogue(self._database("catalogue.db"))

    @cached_property
    def ledger(self) -> Ledger:
        """The ledger, opened when it is first needed."""
        return Ledger(self._database("ledger.db"))

    @property
    def records(self) -> Ledger:
        """The ledger, once it and the catalogue have shown that neither lost anything. Raises StateDamaged where one did."""
        refuse_shortened(self.catalogue.store, self.ledger.store)
        refuse_overtaken(self.catalogue.store, self.ledger.store)
        refuse_new(self.catalogue.store, self.ledger.store)
        return self.ledger

    def recording(self) -> _Recording:
        """The same, for a fact that must not be lost: that it was recorded is remembered beside the ledger."""
        return _Recording(self)

    def remember_ledger(self) -> None:
        """Remember how far the ledger has come. Where that cannot be written down, an earlier entry stays remembered."""
        try:
            remember(self.catalogue.store, self.ledger.store)
        except GuardError:  # the fact itself stands in the ledger, and nobody must record it twice
            return

    def fold_logs(self) -> None:
        """Close the databases whose logs have grown: what closes one last folds its log into it.

        A command ends without closing anything else, and the next answer would read those logs.
        """
        if "catalogue" in self.__dict__ and self.catalogue.store.log_has_grown():
            self.catalogue.store.close()
            del self.catalogue
        if "ledger" in self.__dict__ and self.ledger.store.log_has_grown():
            self.ledger.store.close()
            del self.ledger

    def is_left_behind(self) -> bool:
        """Whether another catalogue or ledger was put in the place of one that is open here."""
        return any(
            self.__dict__[name].store.stands_elsewhere() for name in ("catalogue", "ledger") if name in self.__dict__
        )

    def _database(self, name: str) -> str:
        """Where a database is, or may be made. Raises StateUnusable where it would lie on a network mount."""
        path = os.path.join(self.settings.state, name)
        if not os.path.exists(path):
            from guard.share.mounts import refuse_network

            refuse_network(self.settings.state)
        return path

    def ground(self, number: int = 0) -> Ground:
        """Where and by what to look: the share (0) or one of its further copies."""
        settings = self.settings
        return Ground(
            root=settings.share if number == 0 else settings.copies[number - 1],
            layouts=tuple(map(Layout, settings.layouts)),
            zone=settings.zone,
            settle=settings.settle,
            arms=settings.arms,
            recipe_of=settings.recipe_of,
            archives=settings.archives,
            reading=canonical([settings.timezone, *settings.layouts]),
        )

    def arm(self, name: str) -> str:
        """The id of an arm. Raises UnknownArm with the nearest ids."""
        if name in self.settings.arms:
            return name
        raise UnknownArm(name, nearest(name, self.settings.arms))

    # Looking and proving

    def look(self, progress: Progress, arm: str | None = None, *, accept_vanished: bool = False) -> list[PlaceReport]:
        """One pass over the share and its further copies, or over one arm's sets in them."""
        from guard.share.look import PlaceReport, look
        from guard.store.steady import steady_now

        def steady() -> datetime:
            return steady_now(self.catalogue.store, self.clocks())

        reports = []
        for number in range(len(self.settings.copies) + 1):
            ground = self.ground(number)
            try:
                report = look(
                    ground, number, self.catalogue, self.now, steady, progress, arm, accept_vanished=accept_vanished
                )
                reports.append(PlaceReport(ground.root, report, None))
            except (ShareUnreadable, ShareDoubtful) as refusal:
                reports.append(PlaceReport(ground.root, None, refusal))
        self.hand_over()
        return reports

    def prove(self, wanted: Iterable[tuple[Known, int]], progress: Progress) -> Iterable[Proved]:
        """Read sets back, one after the other. What is found is written down at once, and told now and then.

        Raises UnknownArm at a set whose arm is not configured, so that no recipe can judge it.
        """
        from guard.share.prove import prove

        arms: set[str] = set()
        told_at = self.now()
        try:
            for known, number in wanted:
                self.arm(known.arm)
                proved = prove(self.ground(number), number, self.catalogue, known, self.now, progress)
                proved = proved._replace(place=number)
                if number == 0 and proved.outcome == "read-back":
                    arms.add(known.arm)
                yield proved
                if abs(self.now() - told_at) >= TELL_EVERY:
                    self._tell(arms)
                    arms, told_at = set(), self.now()
        finally:
            self._tell(arms)

    def _tell(self, arms: Iterable[str]) -> None:
        """Hand over what was read back, and settle whether the memory of these arms is proven by it."""
        self.hand_over()
        for arm in arms:
            self.settle(arm)

    def due(self) -> list[tuple[Known, int]]:
        """The sets that are due to be read back: never yet, or not for half of the time allowed."""
        before = self.proven_before(self.now())
        return [
            (known, number)
            for number in (0, *self.copies_there())
            for known in self.catalogue.due_for_read_back(number, self.settings.arms, before)
        ]

    def proven_before(self, now: datetime) -> datetime:
        """Whatever was proven before this is due to be read back again: half of the time allowed is over."""
        return earlier(now, self.settings.limits.read_back_within / 2) or FIRST_MOMENT

    def copies_there(self) -> list[int]:
        """The further places that were looked at where they are now, and were there: elsewhere nothing can be read back."""
        catalogue, there = self.catalogue, []
        for number, root in enumerate(self.settings.copies, 1):
            place = catalogue.place(number)
            if place.unreadable is None and not place.vanished and catalogue.root_of(number) in (None, root):
                there.append(number)
        return there

    def copies_of(self, known: Known) -> list[tuple[Known, int]]:
        """The further copies that were identical to a set when they were last read, to be read back with it."""
        if known.fingerprint is None:
            return []
        held, there = self.catalogue.copies_of(known.arm, known.fingerprint), self.copies_there()
        return [(each, number) for number, each in held if number in there]

    def newest(self, arm: str) -> tuple[list[tuple[Known, int]], list[Known]]:
        """The newest complete set of an arm that is not damaged, to be read back; and the damaged ones newer than it."""
        place = standing(self.facts([arm])[0])
        known = self.catalogue.known(0, arm)
        damaged: list[Known] = []
        for item in reversed(place.history):
            there = known.get(item.set.path)
            if there is None or item.set.gone or not there.complete:
                continue
            if not there.damaged:
                return [(there, 0)], damaged
            damaged.append(there)
        return [], damaged

    def hand_over(self) -> None:
        """Carry changes of sets from the catalogue into the ledger; a crash in between repeats none."""
        while pending := changes.pending(self.catalogue.store):
            self.catalogue.store.keep()  # else a power cut could leave a ledger that knows more than the catalogue
            with self.recording() as ledger:
                ledger.take_over(change for _, change in pending)
            changes.forget(self.catalogue.store, pending[-1][0])

    # Asking

    def facts(self, arms: list[str], as_of: datetime | None = None) -> list[ArmFacts]:
        """All facts about the arms, as of now."""
        return list(self.facts_in_turn(arms, as_of or self.now()))

    def facts_in_turn(
        self, arms: list[str], as_of: datetime, planned: Iterable[PlannedEvent] | None = None
    ) -> Iterator[ArmFacts]:
        """The same for one arm after the other, so that nobody need hold the facts of a whole plant at once.

        ``planned`` is all that is or was planned, where it is known already.
        """
        ground = self.ground()
        known = recorded(self.settings, self.records, self.catalogue, arms, self.clocks, as_of, planned)
        spares = self.stock()
        seen = see(ground, self.catalogue.place(0), arms, as_of)
        for arm in arms:
            yield gather(self.settings, ground, self.catalogue, seen, arm, known.get(arm, Recorded()), spares, as_of)

    def settle(self, arm: str) -> None:
        """Write down what comparing sets from before and after a lapse of an arm's memory gave, where that is new."""
        if arm not in self.settings.arms:
            return
        told = recorded(self.settings, self.records, self.catalogue, [arm], self.clocks, self.now())
        known = told.get(arm, Recorded())
        if not may_have_lapsed(known.window, known.marks, known.proofs):
            return
        (facts,) = self.facts([arm])
        found = [each for each in accounts(standing(facts)) if each.how != "awaits"]
        if found and not is_in_doubt(facts.share):
            with self.recording() as ledger:
                note(ledger, arm, found, facts.as_of)

    def ask(
        self, arms: list[str], question: Question, as_of: datetime, also: Callable[[ArmFacts], None] | None = None
    ) -> list[Verdict]:
        """The verdicts about arms, worst first, from the facts as of now, which ``also`` sees too. Recorded in the ledger."""
        answers = []
        for facts in self.facts_in_turn(arms, as_of):
            answers.append(verdict(facts, question))
            if also is not None:
                also(facts)
        answers.sort(key=place)
        self.answered(question, answers, as_of)
        return answers

    def answered(self, question: Question, answers: list[Verdict], as_of: datetime) -> None:
        """Record in the ledger what was answered."""
        only = answers[0].arm if len(answers) == 1 else ""
        self.ledger.append(as_of, "verdict", only, _verdict_body(question, answers))

    def monitor_silent_since(self, now: datetime) -> datetime | None:
        """Since when the monitor has been silent; None while it shows life, and where none ever ran here."""
        return silent_since(self.catalogue.store, now)

    # Planned events and blocking warnings

    def events(self) -> tuple[PlannedEvent, ...]:
        """The events that are planned, in the order of their starts."""
        from guard.store.events import events

        return events(self.records)

    def plan(self, event: PlannedEvent) -> Added:
        """Plan an event; the id comes from its entry in the ledger. The same event is not planned twice."""
        from guard.store.events import add

        with self.recording() as ledger:
            return add(ledger, event, self.now())

    def drop(self, event: str) -> PlannedEvent:
        """Drop a planned event. Raises UnknownEvent."""
        from guard.store.events import drop

        with self.recording() as ledger:
            return drop(ledger, event, self.now())

    def warnings(self) -> tuple[Raised, ...]:
        """The blocking warnings that are raised now, the oldest first."""
        from guard.store.warnings import raised

        return raised(self.ledger)

    # Sets

    def resolve(self, text: str) -> tuple[Known, int]:
        """The set of that path or start of a fingerprint. Raises UnknownSet or AmbiguousSet."""
        try:
            found = self.catalogue.resolve(text)
        except UnicodeEncodeError:  # half a character, which no name holds
            raise UnknownSet(text) from None
        on_share = [each for each in found if each[1] == 0] or found
        if not on_share:
            raise UnknownSet(text)
        if len(on_share) > 1:
            raise AmbiguousSet(text, [known.path for known, _ in on_share])
        return on_share[0]

    def files(self, known: Known) -> tuple[FileFacts, ...]:
        """The files of a set as they were read."""
        return self.catalogue.manifest(known.id)

    # Records

    def mark(self, mark: Mark, corrects: int | None = None, *, withdrawn: bool = False) -> int:
        """Record a mark for good; returns the number of its entry in the ledger.

        It may stand in the place of an earlier one, or say that that one never happened. Raises NotCorrectable.
        """
        body = mark_body(mark)
        if withdrawn:
            body["withdrawn"] = True
        with self.recording() as ledger:
            if corrects is not None:
                number = ledger.correct(self.now(), corrects, body)
            else:
                number = ledger.append(self.now(), "mark", mark.arm, body)
        if mark.kind in ABOUT_MEMORY:
            self.settle(mark.arm)
        return number

    def time_of(self, arm: str, instead: str = "") -> datetime:
        """Now, as the time of what happens to an arm. Raises ClockSetBack where what is known of it is still to come."""
        now = self.now()
        latest = still_to_come(self.records, self.catalogue, arm, now)
        if latest is not None:
            from guard.rules.refusals import ClockSetBack

            raise ClockSetBack(arm, latest, self.settings.zone(), instead)
        return now

    def marked(self, number: int) -> Mark:
        """The mark of that entry in the ledger, as it stands. Raises NotCorrectable where there is none."""
        return self.ledger.mark(number)

    # Cells

    def stock(self) -> dict[str, tuple[Spare, ...]]:
        """The spare cells in stock now, by type; types that nobody ever counted are not there."""
        return stock(self.records, self.settings.cell_types)

    # The ledger

    def entries(self, last: int | None) -> list[Entry]:
        """Entries of the ledger, the last few or all."""
        return self.ledger.entries(last)

    def check(self) -> Check:
        """Walk the ledger's whole chain."""
        return self.ledger.check()


def nearest(name: str, ids: Iterable[str]) -> list[str]:
    """The ids of arms that may be meant by a name that is none: those of its number, else those spelled much like it."""
    from difflib import get_close_matches

    lowered = {arm.lower(): arm for arm in ids}
    if name.isascii() and name.isdecimal():
        tails = {arm: lowered[arm][len(lowered[arm].rstrip("0123456789")) :] for arm in lowered}
        return [lowered[arm] for arm, tail in tails.items() if tail and int(tail) == int(name)][:3]
    if name.lower() in lowered:
        return [lowered[name.lower()]]
    return [lowered[arm] for arm in get_close_matches(name.lower(), lowered, 3)]


def _verdict_body(question: Question, verdicts: list[Verdict]) -> dict[str, object]:
    return {
        "action": question.action,
        "at": utc(question.at),
        "off_for_s": seconds(question.off_for),
        "answers": {
            answer.arm: {
                "verdict": answer.level,
                "holds_until": utc(answer.holds_until),
                "set": answer.resting.set.path if answer.resting else None,
                "fingerprint": answer.resting.set.fingerprint if answer.resting else None,
                "findings": [found.code for found in answer.findings],
                "signed_off": [found.code for found in answer.findings if found.signed_off is not None],
            }
            for answer in verdicts
        },
    }
