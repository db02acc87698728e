"""A clock that no setting of the wall clock moves forward, by which it is told whether a set has settled.

A clock that jumps forward in the middle of a copy makes a pause of a moment look like hours. So the catalogue
remembers when, by the wall clock, this start of the computer began: the earliest that any reading made it. From
there the time since the start, which nobody sets, gives a moment that can only be too early, and then a set is
waited for once more than needed.
"""

from __future__ import annotations

from datetime import datetime, timedelta

from guard.clock import Reading
from guard.store.database import Store
from guard.store.encoding import moment, time_text

SLACK = timedelta(seconds=1)
"""A clock that is kept right is moved by less than this at a time, which needs no writing down."""


def steady_now(catalogue: Store, now: Reading) -> datetime:
    """This moment by that clock; by the wall clock where starts of the computer cannot be told apart."""
    if not now.boot:
        return now.wall
    return min(now.wall, _earliest_beginning(catalogue, now) + timedelta(seconds=now.uptime_s))


def _earliest_beginning(catalogue: Store, now: Reading) -> datetime:
    began = now.wall - timedelta(seconds=now.uptime_s)
    before = _remembered(catalogue, now.boot)
    if before is not None and before <= began + SLACK:
        return min(before, began)
    with catalogue.transaction() as db:
        before = _remembered(catalogue, now.boot)  # another process may have been earlier
        if before is None or began < before:
            db.execute("INSERT OR REPLACE INTO about VALUES('start', ?)", (f"{now.boot} {time_text(began)}",))
    return began if before is None else min(before, began)


def _remembered(catalogue: Store, boot: str) -> datetime | None:
    with catalogue.told():
        row = catalogue.connection.execute("SELECT value FROM about WHERE key='start'").fetchone()
    start, _, began = row[0].partition(" ") if row is not None else ("", "", "")
    return moment(began) if start == boot else None
