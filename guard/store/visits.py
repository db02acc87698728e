"""Service visits in the ledger: begun, stamped step by step and ended by entries, read back as they stand.

A stamp and the marks that it makes are one transaction: a kill at any moment leaves both or neither.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from datetime import datetime, timedelta

from guard.errors import StateDamaged
from guard.model import Mark
from guard.plan.refusals import VisitMoved
from guard.plan.steps import Reading, Step
from guard.plan.visit import Stamp, Visit, taken
from guard.rules.evidence import seconds
from guard.store.encoding import body_read, canonical, moment, time_text
from guard.store.ledger import Body, Ledger, append, mark_body

TYPE_CHECKING = False

if TYPE_CHECKING:
    from typing import Any

KIND = "visit"


def begin(ledger: Ledger, arm: str, by: str, steps: tuple[Step, ...], more: Body, at: datetime) -> Visit:
    """Begin a visit with these steps, which it keeps whatever becomes of their file. Raises VisitMoved where one is under way."""
    with ledger.store.transaction() as db:
        if _under_way(ledger, db, arm):
            raise VisitMoved(arm)
        body: Body = {"verb": "begin", "by": by, "steps": [_written(step) for step in steps], **more}
        number = append(db, time_text(at) or "", KIND, arm, canonical(body), None)
    return Visit(number, arm, by, moment(time_text(at) or ""), steps)


def stamp(ledger: Ledger, before: Visit, after: Visit, more: Body, marks: Iterable[Mark]) -> None:
    """Write the last stamp of a visit down, with its marks. Raises VisitMoved where the visit is no longer as before."""
    made = after.stamps[-1]
    with ledger.store.transaction() as db:
        _refuse_where_moved(ledger, db, before)
        body: Body = {"verb": made.what, "visit": before.number, **_stamp_body(made), **more}
        if after.ended:
            body |= {"verb": "end", "record": _record(after)}
        at = time_text(made.at) or ""
        append(db, at, KIND, before.arm, canonical(body), None)
        for mark in marks:
            append(db, at, "mark", before.arm, canonical(mark_body(mark)), None)


def give_up(ledger: Ledger, visit: Visit, by: str, why: str, at: datetime, marks: Iterable[Mark]) -> None:
    """End a visit that is not gone through with. Raises VisitMoved where it is no longer as it was."""
    with ledger.store.transaction() as db:
        _refuse_where_moved(ledger, db, visit)
        body: Body = {"verb": "give-up", "visit": visit.number, "by": by, "why": why, "record": _record(visit)}
        append(db, time_text(at) or "", KIND, visit.arm, canonical(body), None)
        for mark in marks:
            append(db, time_text(at) or "", "mark", visit.arm, canonical(mark_body(mark)), None)


def under_way(ledger: Ledger, arm: str | None = None) -> dict[str, Visit]:
    """The visits that have not ended, by arm: of one arm, or of all. Raises StateDamaged where an entry cannot be read."""
    with ledger.store.told():
        return _under_way(ledger, ledger.store.connection, arm)


def _refuse_where_moved(ledger: Ledger, db: sqlite3.Connection, visit: Visit) -> None:
    there = _under_way(ledger, db, visit.arm).get(visit.arm)
    if there is None or (there.number, there.stamps) != (visit.number, visit.stamps):
        raise VisitMoved(visit.arm)


def _under_way(ledger: Ledger, db: sqlite3.Connection, arm: str | None) -> dict[str, Visit]:
    query = "SELECT seq, at, arm, body FROM entries WHERE kind=?" + (" AND arm=?" if arm else "") + " ORDER BY seq"
    found: dict[str, Visit] = {}
    for number, at, name, text in db.execute(query, (KIND, arm) if arm else (KIND,)).fetchall():
        try:
            body = body_read(text)
            if body["verb"] == "begin":
                found[name] = Visit(number, name, str(body["by"]), moment(at), tuple(map(_step, body["steps"])))
            elif body["verb"] in ("end", "give-up"):
                found.pop(name, None)
            else:
                found[name] = taken(found[name], _stamp(body, at))
        except (KeyError, TypeError, ValueError) as error:
            raise StateDamaged(
                ledger.store.path,
                f"entry {number} does not say what an entry of a visit says",
                "`guard ledger check` tells whether it was altered. Restore it from a backup of the state folder.",
            ) from error
    return found


def _record(visit: Visit) -> list[Body]:
    return [{"what": each.what, "at": time_text(each.at), **_stamp_body(each)} for each in visit.stamps]


def _stamp_body(made: Stamp) -> Body:
    return {
        "step": made.step,
        "by": made.by,
        "readings": [list(each) for each in made.readings],
        "note": made.note,
        "boot": made.boot,
        "uptime_s": made.uptime_s,
    }


def _stamp(body: dict[str, Any], at: str) -> Stamp:
    return Stamp(
        step=str(body["step"]),
        what=body["verb"],
        at=moment(at),
        by=str(body["by"]),
        readings=tuple((str(name), str(value)) for name, value in body["readings"]),
        note=str(body["note"]),
        boot=str(body["boot"]),
        uptime_s=float(body["uptime_s"]),
    )


def _written(step: Step) -> Body:
    return {
        **step._asdict(),
        "do": list(step.do),
        "readings": [list(each) for each in step.readings],
        "at_least": None if step.at_least is None else seconds(step.at_least),
        "at_most": None if step.at_most is None else seconds(step.at_most),
    }


def _step(raw: dict[str, Any]) -> Step:
    return Step(**{
        **raw,
        "do": tuple(raw["do"]),
        "readings": tuple(Reading(*each) for each in raw["readings"]),
        "at_least": _span(raw["at_least"]),
        "at_most": _span(raw["at_most"]),
    })  # fmt: skip


def _span(seconds_told: float | None) -> timedelta | None:
    return None if seconds_told is None else timedelta(seconds=seconds_told)


def set_of_stamp(ledger: Ledger, visit: Visit, step: str) -> str | None:
    """The path of the set that carried the answers when a step of a visit was passed."""
    for _, _, body in ledger.bodies(KIND, visit.arm):
        if body.get("visit") == visit.number and body.get("step") == step and body.get("verb") == "done":
            found = body.get("set")
            return None if found is None else str(found)
    return None
