"""Words and screens for verdicts: the verdict first and large, then what to do, then why."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime, tzinfo

from guard.cli.output import Line
from guard.model import AtStake, Finding, Verdict
from guard.settings import Settings
from guard.tell.cautions import CAUTIONS
from guard.tell.words import answered_for, headline, sign_offs
from guard.times import shown_with_age
from guard.units import figure, in_words


def screen(verdict: Verdict, as_of: datetime, settings: Settings) -> Iterator[Line]:
    """The full answer about one arm."""
    zone = settings.zone()
    yield Line(style=verdict.level)
    yield Line(headline(verdict), style=verdict.level, indent=0)
    yield Line(style=verdict.level)
    yield from _facts(verdict, as_of, zone, settings)
    remedies = dict.fromkeys(found.remedy for found in verdict.findings)
    if remedies:
        yield Line()
        yield Line("What to do", style="head")
        for number, remedy in enumerate(remedies, 1):
            yield Line(remedy, label=f"{number}. ", indent=1)
        yield Line()
        yield Line("Why", style="head")
        for found in verdict.findings:
            yield finding_line(found, as_of, zone)


def _facts(verdict: Verdict, as_of: datetime, zone: tzinfo, settings: Settings) -> Iterator[Line]:
    question = verdict.question
    arm = settings.arms[verdict.arm]
    name = f"{arm.name}, " if arm.name != arm.id else ""
    yield _fact("Arm", f"{verdict.arm} ({name}{arm.area or 'no area'})")
    start = "now" if question.at == as_of else shown_with_age(question.at, as_of, zone)
    passed = "; that has passed, so it is answered for now" if question.at < as_of else ""
    yield _fact("Asked", f"{question.action}, {start}, for {in_words(question.off_for)}{passed}")
    yield _fact("Rests on", _resting(verdict, as_of, zone))
    if verdict.loss is not None:
        yield _fact("At stake", _at_stake(verdict.loss))
    if verdict.holds_until is None:
        yield _fact("Holds", "nothing changes by itself")
    else:
        yield _fact("Holds", f"until {shown_with_age(verdict.holds_until, as_of, zone)}, then {verdict.then}")


def _at_stake(loss: AtStake) -> str:
    return (
        f"{figure(100 * loss.probability)} % chance that its memory is lost, which would cost about {figure(loss.cost_h, 3)} hours"
        f" of work: {figure(loss.expected_h)} hours expected"
    )


def _resting(verdict: Verdict, as_of: datetime, zone: tzinfo) -> str:
    resting = verdict.resting
    if resting is None:
        return "no set"
    read = shown_with_age(resting.set.last_read_at, as_of, zone)
    count = resting.set.copies
    copies = f", {count} further {'copy' if count == 1 else 'copies'}" if count else ""
    return (
        f"{resting.set.path}, saved {shown_with_age(resting.captured_at, as_of, zone)},"
        f" {resting.proof}, last read {read}{copies}"
    )


def _fact(label: str, text: str) -> Line:
    return Line(text, label=label, label_style="quiet", indent=1, label_width=10)


def finding_line(found: Finding, as_of: datetime, zone: tzinfo) -> Line:
    """One finding: its level and code, and what was found."""
    turns = f" Turns {shown_with_age(found.turns_at, as_of, zone)}." if found.turns_at else ""
    answered = f" {answered_for(found.signed_off, zone)}" if found.signed_off else ""
    return Line(
        f"{found.message}{turns}{answered}",
        label=f"{found.level:<8}{found.code}",
        label_style=f"{found.level}-word",
        indent=1,
        label_width=32,
    )


def fleet_line(verdict: Verdict, zone: tzinfo) -> Line:
    """One arm in one line: the worst finding, the hours at stake by which arms of one level are ranked, and sign-offs."""
    first = verdict.findings[0].message if verdict.findings else "No finding."
    more = f" (+{len(verdict.findings) - 1} more)" if len(verdict.findings) > 1 else ""
    stake = f" At stake: {figure(verdict.loss.expected_h)} h." if verdict.loss else ""
    return Line(
        " ".join([f"{first}{more}{stake}", *sign_offs(verdict, zone)]),
        label=f"{verdict.level.upper():<9}{verdict.arm}",
        label_style=f"{verdict.level}-word",
        label_width=max(22, len(verdict.arm) + 11),
    )


def cautions() -> Iterator[Line]:
    """The cautions that stand on every screen that leads to the machine."""
    yield Line()
    for text in CAUTIONS:
        yield Line(text, style="quiet")


def silence(since: datetime | None, as_of: datetime, zone: tzinfo) -> Iterator[Line]:
    """That the monitor is silent, where it is."""
    if since is not None:
        yield Line()
        told = f"The monitor has been silent since {shown_with_age(since, as_of, zone)}: nobody watches the share."
        yield Line(f"{told} Start it again: guard serve", style="caution-word")
