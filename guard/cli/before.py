"""`guard ask what must be done before …`: for each arm of a planned event what lifts each blocking finding, and by when."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import datetime

from guard.campaigns import event_meant, prepare
from guard.cli import output, verdicts
from guard.cli.ask import EXIT_CODES
from guard.cli.campaign import as_document
from guard.cli.documents import answers as document_of
from guard.cli.output import Line
from guard.desk import Desk
from guard.model import Level, rank
from guard.plan.campaign import Campaign, Need
from guard.rules.verdict import place
from guard.tell.campaign import counted, helps, named, times, todo


def answer_before(desk: Desk, asked: str, now: datetime, *, as_json: bool) -> int:
    """Answer, worst arm first. The exit code is that of the worst verdict at the event's start."""
    event = event_meant(desk, asked, now)
    plan = prepare(desk, event, 1, None, now)
    needs = sorted(plan.needs, key=lambda each: place(each.verdict))
    answers = [each.verdict for each in needs]
    if answers:
        desk.answered(answers[0].question, answers, now)
    levels: list[Level] = [each.level for each in answers] + ["unknown"] * bool(plan.not_configured)
    worst: Level = max(levels, key=rank, default="unknown")
    silent = desk.monitor_silent_since(now)
    desk.fold_logs()
    if as_json:
        output.show_json({**document_of(answers, now, worst, silent), "campaign": as_document(plan)})
    else:
        output.show(_screen(plan, needs))
        output.show(verdicts.silence(silent, now, desk.settings.zone()))
        output.show(verdicts.cautions())
    return EXIT_CODES[worst]


def _screen(plan: Campaign, needs: list[Need]) -> Iterator[Line]:
    yield Line(f"Understood: what must be done before {named(plan.terms, aged=True)}.", style="quiet")
    for label, text in (("Arms", counted(plan)), *times(plan, aged=True)):
        yield Line(text, label=label, label_style="quiet", indent=1, label_width=13)
    for each in needs:
        if each.needed != "nothing":
            yield from _arm(each, plan)
    for arm in plan.not_configured:
        yield Line()
        yield _title("unknown", arm, "not in the configuration, so nobody looks after its backups")
    done = [each.arm for each in needs if each.needed == "nothing"]
    if done:
        yield Line()
        yield Line(f"Nothing more is to be done on: {', '.join(done)}")
    if plan.turns or plan.missed:
        yield Line()
        yield Line(f"In which order, and with more people: guard campaign {plan.terms.event.id} --people 2")
    for text in helps(plan):
        yield Line(text, label="- ", indent=1)


def _title(level: Level, arm: str, text: str) -> Line:
    return Line(text, label=f"{level.upper():<9}{arm}", label_style=f"{level}-word", label_width=max(22, len(arm) + 11))


def _arm(each: Need, plan: Campaign) -> Iterator[Line]:
    yield Line()
    yield _title(each.verdict.level, each.arm, each.area)
    for number, (remedy, by) in enumerate(todo(plan, each), 1):
        yield Line(remedy, label=f"{number}. ", indent=1)
        yield Line(by, indent=4, style="quiet")
