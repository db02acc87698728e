"""Builds the catalogue again after it was damaged, from the ledger first and then from the share.

What only time could teach stands in the ledger and comes back from there: when each set was
first seen, what its content was, and which were damaged, also of sets that are gone or hold
something else now. So a rebuilt catalogue takes no changed set for a good one, and no old set
for a new one.
"""

from __future__ import annotations

import os
from typing import Any

from guard.desk import Desk
from guard.store.catalogue import Arrival, Place, Remembered
from guard.store.encoding import moment, time_read


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
    latest: dict[_Key, tuple[str, dict[str, Any]]] = {}
    damaged: dict[_Key, str] = {}
    newest_members: dict[_Key, str | None] = {}
    contents: dict[tuple[_Key, str], Remembered] = {}
    for at, arm, body in desk.ledger.bodies("set"):
        key = (int(str(body["place"])), str(body["set"]))
        if body["state"] == "gone":
            if key not in damaged:
                latest.pop(key, None)
            continue
        if "newest_member" in body:  # it was sealed anew, which no damaged content is
            damaged.pop(key, None)
        if body["state"] == "damaged":
            damaged[key] = at
        if body.get("was_damaged"):
            damaged.pop(key, None)
        if "newest_member" in body:
            newest_members[key] = None if body["newest_member"] is None else str(body["newest_member"])
            if body["fingerprint"] is not None:
                content = _told(key, arm, body, newest_members[key])._replace(gone_at=moment(at))
                contents[key, str(body["fingerprint"])] = content
        latest[key] = (arm, body)
    there = [
        _told(key, arm, body, newest_members.get(key))._replace(damaged_at=time_read(damaged.get(key)))
        for key, (arm, body) in latest.items()
    ]
    for key, (_, body) in latest.items():
        contents.pop((key, str(body["fingerprint"])), None)
    desk.catalogue.remember((*there, *contents.values()))
    desk.remember_ledger()


_Key = tuple[int, str]
"""The place, and the path of a set in it."""


def _told(key: _Key, arm: str, body: dict[str, Any], newest_member: str | None) -> Remembered:
    arrival = Arrival(key[0], arm, key[1], body["form"], moment(body["first_seen"]), time_read(body["stamp"]))
    return Remembered(arrival, body["fingerprint"], body.get("essence"), time_read(newest_member))
