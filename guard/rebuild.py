"""Builds the catalogue again after it was damaged, from the ledger first and then from the share.

What only time could teach stands in the ledger and comes back from there: when each set was
first seen, what its content was, and which were damaged, also of sets that are gone or hold
something else now. So a rebuilt catalogue takes no changed set for a good one, and no old set
for a new one.
"""

from __future__ import annotations

import os
from collections.abc import Iterator
from datetime import datetime
from typing import Any

from guard.desk import Desk
from guard.store.encoding import moment, time_read
from guard.store.known import Arrival, Place, Remembered


def rebuild(desk: Desk) -> str:
    """Move the catalogue aside, fill a new one from the ledger, and return where the old one stands now."""
    path = os.path.join(desk.settings.state, "catalogue.db")
    aside = f"{path}.{desk.now():%Y%m%dT%H%M%SZ}"
    for suffix in ("", "-wal", "-shm"):
        if os.path.exists(path + suffix):
            os.replace(path + suffix, aside + suffix)
    _fill(desk)
    return aside


def _fill(desk: Desk) -> None:
    for _, _, body in desk.ledger.bodies("share"):
        number = int(str(body["place"]))
        root = desk.settings.share if number == 0 else "a further copy"
        identity = body["identity"]
        desk.catalogue.note_place(number, root, Place(None if identity is None else str(identity)))
    there, once = _Sets(), {}
    for at, arm, body in desk.ledger.bodies("set"):
        there.hear(at, arm, body)
        if "newest_member" in body and body["fingerprint"] is not None:
            once[_key(body), str(body["fingerprint"])] = _told(arm, body, body["newest_member"], gone_at=moment(at))
    for _, body in there.latest.values():
        once.pop((_key(body), str(body["fingerprint"])), None)
    desk.catalogue.remember((*there.told(), *once.values()))
    desk.remember_ledger()


_Key = tuple[int, str]
"""The place, and the path of a set in it."""

_Body = dict[str, Any]


class _Sets:
    """The sets that are there, as far as the ledger has been read."""

    def __init__(self) -> None:
        self.latest: dict[_Key, tuple[str, _Body]] = {}
        self._damaged: dict[_Key, str] = {}
        self._newest_members: dict[_Key, object] = {}

    def hear(self, at: str, arm: str, body: _Body) -> None:
        """Take in one entry."""
        key = _key(body)
        if body["state"] == "gone":
            if key not in self._damaged:
                self.latest.pop(key, None)
            return
        if "newest_member" in body:  # it was sealed anew, which no damaged content is
            self._damaged.pop(key, None)
            self._newest_members[key] = body["newest_member"]
        if body["state"] == "damaged":
            self._damaged[key] = at
        if body.get("was_damaged"):
            self._damaged.pop(key, None)
        self.latest[key] = (arm, body)

    def told(self) -> Iterator[Remembered]:
        """What is to be remembered of them."""
        for key, (arm, body) in self.latest.items():
            found = _told(arm, body, self._newest_members.get(key))
            yield found._replace(damaged_at=time_read(self._damaged.get(key)))


def _key(body: _Body) -> _Key:
    return int(str(body["place"])), str(body["set"])


def _told(arm: str, body: _Body, newest_member: object, gone_at: datetime | None = None) -> Remembered:
    place, path = _key(body)
    arrival = Arrival(place, arm, path, body["form"], moment(body["first_seen"]), time_read(body["stamp"]))
    newest = None if newest_member is None else str(newest_member)
    return Remembered(arrival, body["fingerprint"], body.get("essence"), time_read(newest), gone_at=gone_at)
