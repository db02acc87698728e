"""Reads what the catalogue holds as the facts that the rules judge."""

from __future__ import annotations

import sqlite3
from collections.abc import Collection

from guard.errors import ValueUnreadable
from guard.model import BackupSet, FileFacts, Form, Part, Problem, Twin
from guard.names import name_text
from guard.plant import ARM_SPECIFIC_PARTS
from guard.record import Record
from guard.store.database import Store
from guard.store.encoding import list_read, moment, time_read, unpack_manifest

OTHER_RECIPE = Problem(
    "incomplete-set", "it was judged by another recipe, or its times by another zone, than today's; run: guard look"
)

_Twins = dict[tuple[str, str], tuple[Twin, ...]]


class _Row(Record):
    id: int
    path: bytes
    form: Form
    first_seen: str
    stamp: str | None
    newest_member: str | None
    fingerprint: str | None
    files: int
    bytes: int
    problems: str
    complete: int | None
    identity: str | None
    last_read_at: str | None
    damaged_at: str | None
    damage: str | None
    gone_at: str | None
    recipe: str | None
    trouble: str | None
    essence: str | None


def sets_of(store: Store, arm: str, judgements: Collection[str]) -> tuple[BackupSet, ...]:
    """All sets of an arm on the share, those that are gone included.

    A set that was judged by something else than one of these ``judgements``, by another recipe
    or its times by another zone, is not taken for complete.
    """
    db = store.connection
    with store.told():
        rows = [
            _Row(*row)
            for row in db.execute(f"SELECT {', '.join(_Row._fields)} FROM sets WHERE arm=? AND place=0", (arm,))
        ]
        parts = _parts(db, arm)
        twins = _twins(db, arm)
        copies = dict(db.execute(_COPIES, (arm,)).fetchall())
    return tuple(_backup_set(row, parts.get(row.id, ()), twins, copies, judgements) for row in rows)


def manifest_of(store: Store, arm: str, fingerprint: str) -> tuple[FileFacts, ...]:
    """The files of an arm's set with that fingerprint, also where it is gone; empty where nothing tells them."""
    with store.told():
        row = store.connection.execute(
            "SELECT names, stats, sha256, blake3 FROM sets s JOIN manifests m ON m.set_id=s.id"
            " WHERE s.fingerprint=? AND s.arm=? AND s.place=0 ORDER BY s.id DESC LIMIT 1",
            (fingerprint, arm),
        ).fetchone()
    return () if row is None else unpack_manifest(*row)


_COPIES = """
    SELECT s.fingerprint, count(DISTINCT s.place) FROM sets s LEFT JOIN places p ON p.number=s.place
    WHERE s.arm=? AND s.place>0 AND s.gone_at IS NULL AND s.damaged_at IS NULL AND s.complete=1
      AND s.trouble IS NULL AND p.unreadable IS NULL AND coalesce(p.vanished, 0)=0
    GROUP BY s.fingerprint
"""
"""In how many further places each content stands; one of which nothing but single arms was ever looked at has no row."""

_PARTS = """
    SELECT p.set_id, p.name, p.files, p.bytes, p.ok, p.digest, p.newest
    FROM sets s JOIN parts p ON p.set_id=s.id WHERE s.arm=? AND s.place=0
"""

_TWINS = f"""
    SELECT mine.name, mine.digest, s.arm, s.path FROM (
        SELECT DISTINCT p.name, p.digest FROM sets s JOIN parts p ON p.set_id=s.id
        WHERE s.arm=?1 AND s.place=0 AND p.bytes>0 AND p.name IN ({", ".join(f"'{name}'" for name in ARM_SPECIFIC_PARTS)})
    ) mine JOIN parts p ON p.digest=mine.digest AND p.name=mine.name AND p.arm<>?1 JOIN sets s ON s.id=p.set_id
    WHERE s.place=0 AND s.gone_at IS NULL
    ORDER BY s.arm, s.path
"""


def _parts(db: sqlite3.Connection, arm: str) -> dict[int, tuple[Part, ...]]:
    found: dict[int, tuple[Part, ...]] = {}
    for set_id, name, files, size, ok, digest, newest in db.execute(_PARTS, (arm,)):
        part = Part(name, files, size, bool(ok), digest, time_read(newest))
        found[set_id] = (*found.get(set_id, ()), part)
    return found


def _twins(db: sqlite3.Connection, arm: str) -> _Twins:
    """Sets of other arms with the same arm-specific content, by part and digest."""
    found: _Twins = {}
    for name, digest, other, path in db.execute(_TWINS, (arm,)):
        found[name, digest] = (*found.get((name, digest), ()), Twin(other, name_text(path), name))
    return found


def _problems(text: str) -> tuple[Problem, ...]:
    try:
        return tuple(Problem(*map(str, problem)) for problem in list_read(text, "a list of problems"))
    except TypeError:
        raise ValueUnreadable(text, "a list of problems") from None


def _backup_set(
    row: _Row, parts: tuple[Part, ...], twins: _Twins, copies: dict[str | None, int], judgements: Collection[str]
) -> BackupSet:
    problems = () if row.problems == "[]" else _problems(row.problems)
    checked = None if row.complete is None else bool(row.complete)
    if checked and row.recipe not in judgements:
        checked, problems = False, (OTHER_RECIPE, *problems)
    return BackupSet(
        path=name_text(row.path),
        form=row.form,
        first_seen=moment(row.first_seen),
        stamp=time_read(row.stamp),
        newest_member=time_read(row.newest_member),
        fingerprint=row.fingerprint,
        files=row.files,
        bytes=row.bytes,
        parts=parts,
        problems=problems,
        checked=checked,
        identity=row.identity,
        last_read_at=time_read(row.last_read_at),
        damaged_at=time_read(row.damaged_at),
        damage=row.damage,
        trouble=row.trouble,
        gone=row.gone_at is not None,
        twins=tuple(t for part in parts for t in twins.get((part.name, part.digest), ())),
        copies=copies.get(row.fingerprint, 0),
        essence=row.essence,
    )
