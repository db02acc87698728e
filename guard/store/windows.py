"""Swap windows: told by entries of the ledger, with the last reading of each open one's clocks beside them.

A window is opened and ended by one entry each, and a reading is written down in one
transaction, so that a kill at any moment loses nothing. The clocks are read while the lock
is held: no reading can overtake another.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Callable
from datetime import date, timedelta

from guard.clock import Reading
from guard.errors import StateLocked, StateUnusable
from guard.model import Carried, SwapWindow
from guard.record import Record
from guard.rules.evidence import seconds
from guard.rules.window import Checkpoint, advance, elapsed
from guard.store.encoding import body_read, canonical, moment, span, time_text
from guard.store.ledger import Body, Ledger, append

TYPE_CHECKING = False

if TYPE_CHECKING:
    from typing import Any

    from guard.rules.permit import Permit

Clocks = Callable[[], Reading]
"""Reads both clocks, now."""


class NewCell(Record):
    """The cell that was put in, as far as a person told: its type, its maker's year and month, since when it is in."""

    type: str
    date_code: str | None
    installed: date


class _Open(Record):
    seq: int
    began: Reading
    by: str
    limit: timedelta
    rests_on: str | None
    fingerprint: str | None
    hold_up: Carried | None


def begin(
    ledger: Ledger, permit: Permit, by: str, limit: timedelta, clocks: Clocks, hold_up: Carried | None = None
) -> SwapWindow:
    """Open the window of the permit's arm; its clock runs from now on.

    Its limit is recorded with it, so that no later configuration lengthens it. Raises PermitStale,
    and WindowTaken where it is open already: of two people, one opens it.
    """
    from guard.rules.refusals import PermitStale, WindowTaken

    with ledger.store.transaction() as db:
        now = clocks()
        if not permit.is_fresh(now.wall):
            raise PermitStale(permit.arm)
        there = _open(db, permit.arm)
        if there is not None:
            raise WindowTaken(permit.arm, there.by, there.began.wall)
        body: Body = {
            "verb": "begin",
            **_clocks(now),
            "by": by,
            "limit_s": seconds(limit),
            "hold_up": _hold_up_body(hold_up),
            "set": permit.rests_on,
            "fingerprint": permit.fingerprint,
            "verdict": permit.level,
            "findings": list(permit.codes),
        }
        seq = append(db, time_text(now.wall) or "", "swap", permit.arm, canonical(body), None)
        _write(db, permit.arm, seq, Checkpoint(*now, timedelta()))
    begun = SwapWindow(now.wall, timedelta(), limit, by, rests_on=permit.rests_on, fingerprint=permit.fingerprint)
    return begun._replace(hold_up=hold_up)


def _hold_up_body(held: Carried | None) -> Body | None:
    if held is None:
        return None
    return {
        "lasts_s": seconds(held.lasts),
        "charged_for_s": seconds(held.charged_for),
        "source": held.source,
        "off_for_s": seconds(held.off_for),
    }


def _hold_up(body: dict[str, Any]) -> Carried | None:
    """What an entry tells of the capacitor; entries of older programs tell nothing."""
    told = body.get("hold_up")
    if told is None:
        return None
    lasts, charged_for, off_for = (span(told[key]) for key in ("lasts_s", "charged_for_s", "off_for_s"))
    return Carried(lasts, charged_for, told["source"], off_for)


def tick(ledger: Ledger, arm: str, clocks: Clocks) -> SwapWindow | None:
    """The open window of an arm, as of now; None where none is open.

    What was counted is written down, so that nothing later counts less. Where the state cannot
    be written at the moment the clock is still told, from what was written last.
    """
    try:
        with ledger.store.transaction() as db:
            return _ticked(db, arm, clocks())
    except (StateLocked, StateUnusable):
        with ledger.store.told():
            there = _open(ledger.store.connection, arm)
            return there and _window(there, _last(ledger.store.connection, arm, there.seq), clocks())


def latest(ledger: Ledger, arm: str | None, clocks: Clocks) -> dict[str, SwapWindow]:
    """The last window of one arm, or of every arm that ever had one. Each look at an open one is a tick."""
    query = "SELECT arm, max(seq), body FROM entries WHERE kind='swap'" + (" AND arm=?" if arm else "")
    with ledger.store.told():
        rows = ledger.store.connection.execute(query + " GROUP BY arm", (arm,) if arm else ()).fetchall()
    found = {}
    for name, _, text in rows:
        body = body_read(text)
        window = _ended(body) if body["verb"] == "end" else tick(ledger, name, clocks)
        if window is not None:
            found[name] = window
    return found


def open_windows(ledger: Ledger, clocks: Clocks) -> dict[str, SwapWindow]:
    """Every window that is open, by arm."""
    return {arm: window for arm, window in latest(ledger, None, clocks).items() if window.ended_at is None}


def end(ledger: Ledger, arm: str, by: str, cell: NewCell, clocks: Clocks) -> SwapWindow:
    """End the open window of an arm, and record the new cell as a mark `cell-changed`, all or nothing.

    The mark's body tells ``cell``, ``date_code`` and ``installed`` beside what every mark
    tells; for that arm and type of cell they take the place of what the configuration says.
    Raises NoWindow where none is open.
    """
    from guard.rules.refusals import NoWindow

    with ledger.store.transaction() as db:
        now = clocks()
        there = _open(db, arm)
        if there is None:
            raise NoWindow(arm)
        window = _window(there, _last(db, arm, there.seq), now)
        window = window._replace(ended_at=max(now.wall, there.began.wall + window.elapsed))
        at = time_text(now.wall) or ""
        new: Body = {"cell": cell.type, "date_code": cell.date_code, "installed": cell.installed.isoformat()}
        append(db, at, "swap", arm, canonical({**_end_body(there, window, now), "by": by, **new}), None)
        mark = {
            "kind": "cell-changed",
            "at": (window.ended_at or now.wall).isoformat(),
            "by": by,
            "note": _note(cell),
            **new,
        }
        append(db, at, "mark", arm, canonical(mark), None)
        db.execute("DELETE FROM clocks WHERE arm=?", (arm,))
    return window


def _note(cell: NewCell) -> str:
    made = f", made {cell.date_code}" if cell.date_code else ""
    return f"{cell.type or 'memory cell'}{made}, installed {cell.installed}"


def _end_body(there: _Open, window: SwapWindow, now: Reading) -> Body:
    return {
        "verb": "end",
        **_clocks(now),
        "began": there.seq,
        "began_at": time_text(there.began.wall),
        "began_by": there.by,
        "elapsed_s": seconds(window.elapsed),
        "limit_s": seconds(there.limit),
        "hold_up": _hold_up_body(there.hold_up),
        "disagree": window.disagree,
        "set": there.rests_on,
        "fingerprint": there.fingerprint,
    }


def _clocks(now: Reading) -> Body:
    return {"wall": time_text(now.wall), "boot": now.boot, "uptime_s": now.uptime_s}


def _open(db: sqlite3.Connection, arm: str) -> _Open | None:
    row = db.execute(
        "SELECT seq, body FROM entries WHERE kind='swap' AND arm=? ORDER BY seq DESC LIMIT 1", (arm,)
    ).fetchone()
    body = None if row is None else body_read(row[1])
    if body is None or body["verb"] != "begin":
        return None
    began = Reading(moment(body["wall"]), body["boot"], _uptime_s(body["uptime_s"]))
    limit = span(body["limit_s"])
    return _Open(row[0], began, body["by"], limit, body["set"], body["fingerprint"], _hold_up(body))


def _uptime_s(told: float) -> float:
    span(told)  # or nothing can be counted from it
    return told


def _last(db: sqlite3.Connection, arm: str, began: int) -> Checkpoint | None:
    row = db.execute(
        "SELECT wall, boot, uptime_s, elapsed_s FROM clocks WHERE arm=? AND began=?", (arm, began)
    ).fetchone()
    return None if row is None else Checkpoint(moment(row[0]), row[1], _uptime_s(row[2]), span(row[3]))


def _ticked(db: sqlite3.Connection, arm: str, now: Reading) -> SwapWindow | None:
    there = _open(db, arm)
    if there is None:
        return None
    last = _last(db, arm, there.seq)
    _write(db, arm, there.seq, advance(there.began, last, now))
    return _window(there, last, now)


def _write(db: sqlite3.Connection, arm: str, began: int, last: Checkpoint) -> None:
    db.execute(
        "INSERT OR REPLACE INTO clocks(arm, began, wall, boot, uptime_s, elapsed_s) VALUES(?,?,?,?,?,?)",
        (arm, began, time_text(last.wall), last.boot, last.uptime_s, last.elapsed.total_seconds()),
    )


def _window(there: _Open, last: Checkpoint | None, now: Reading) -> SwapWindow:
    out, disagree = elapsed(there.began, last, now)
    return SwapWindow(
        began_at=there.began.wall,
        elapsed=out,
        limit=there.limit,
        began_by=there.by,
        disagree=disagree,
        rests_on=there.rests_on,
        fingerprint=there.fingerprint,
        hold_up=there.hold_up,
    )


def _ended(body: dict[str, Any]) -> SwapWindow:
    began_at, elapsed = moment(body["began_at"]), span(body["elapsed_s"])
    return SwapWindow(
        began_at=began_at,
        elapsed=elapsed,
        limit=span(body["limit_s"]),
        began_by=body["began_by"],
        # Where the clock was set back meanwhile, the other one tells when it ended; a set from before must not pass.
        ended_at=max(moment(body["wall"]), began_at + elapsed),
        disagree=body["disagree"],
        rests_on=body["set"],
        fingerprint=body["fingerprint"],
        hold_up=_hold_up(body),
    )
