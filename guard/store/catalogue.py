"""The catalogue: what was seen of every set. It can be rebuilt from the share and the ledger."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta
from itertools import islice

from guard.model import FileFacts, Part
from guard.names import name_bytes, name_text
from guard.store import changes
from guard.store.database import Store
from guard.store.encoding import pack_manifest, same_stats, time_read, time_text, unpack_manifest
from guard.store.known import KNOWN, Arrival, Known, Place, Remembered, Seal, known_of

TYPE_CHECKING = False

if TYPE_CHECKING:
    from guard.plan.read_back import Proven

FILLED = "filled"
"""Tells, among what a catalogue knows about itself, that it was filled from the ledger."""

_READING = "reading"

COARSEST = timedelta(seconds=2)
"""So far a file's time may move when it is copied or packed: FAT and zip know even seconds only."""

_CLAIM = "place, arm, path, form, first_seen, stamp, fingerprint, essence, newest_member"
"""What tells when a content was saved, wherever it turns up again."""


class Catalogue:
    """The catalogue of one state folder."""

    def __init__(self, path: str) -> None:
        """Open the catalogue, creating it where there is none. Raises the refusals of Store."""
        self.store = Store(path, "catalogue")

    # Places

    def place(self, number: int) -> Place:
        """What was last seen of a place; an empty record where it was never looked at."""
        with self.store.told():
            row = self.store.connection.execute(
                "SELECT identity, seen_at, unreadable, vanished FROM places WHERE number=?", (number,)
            ).fetchone()
        return Place() if row is None else Place(row[0], time_read(row[1]), row[2], row[3])

    def root_of(self, number: int) -> str | None:
        """Where a place was when it was last noted; None where it never was."""
        with self.store.told():
            row = self.store.connection.execute("SELECT path FROM places WHERE number=?", (number,)).fetchone()
        return None if row is None else str(row[0])

    def note_place(
        self, number: int, path: str, place: Place, changed: str | None = None, at: datetime | None = None
    ) -> None:
        """Write down what was seen of a place, and what changed about it as a fact for the ledger."""
        with self.store.transaction() as db:
            before = db.execute("SELECT identity FROM places WHERE number=?", (number,)).fetchone()
            db.execute(
                "INSERT INTO places VALUES(?,?,?,?,?,?) ON CONFLICT(number) DO UPDATE SET path=excluded.path,"
                " identity=excluded.identity, seen_at=excluded.seen_at, unreadable=excluded.unreadable,"
                " vanished=excluded.vanished",
                (number, path, place.identity, time_text(place.seen_at), place.unreadable, place.vanished),
            )
            if changed is not None and (before is None or before[0] != place.identity):
                changes.note(
                    db, at or place.seen_at, "share", "", {"place": number, "what": changed, "identity": place.identity}
                )

    # Sets

    def known(self, place: int, arm: str | None = None) -> dict[str, Known]:
        """The sets that are there, by path: those of one arm, or all."""
        with self.store.told():
            rows = self.store.connection.execute(
                f"{KNOWN} AND arm=?" if arm else KNOWN, (place, arm) if arm else (place,)
            )
            return {name_text(row[2]): known_of(row) for row in rows}

    def known_at(self, place: int, path: str) -> Known | None:
        """The set that stands at a path; None where there is none."""
        with self.store.told():
            row = self.store.connection.execute(f"{KNOWN} AND path=?", (place, name_bytes(path))).fetchone()
        return None if row is None else known_of(row)

    def _at(self, place: int, path: bytes) -> Known:
        return known_of(self.store.connection.execute(f"{KNOWN} AND path=?", (place, path)).fetchone())

    def restamp(self, told: Iterable[tuple[Known, datetime | None]]) -> None:
        """Put right what the names of sets tell, in one transaction: the zone or the layouts are others than before."""
        with self.store.transaction() as db:
            db.executemany(
                "UPDATE sets SET stamp=? WHERE id=?", [(time_text(stamp), known.id) for known, stamp in told]
            )

    def reading(self) -> str | None:
        """By what the names of all sets on the share were read; None where that is not known of each."""
        with self.store.told():
            row = self.store.connection.execute("SELECT value FROM about WHERE key=?", (_READING,)).fetchone()
        return None if row is None else str(row[0])

    def note_reading(self, reading: str | None) -> None:
        """Write down by what the names of all sets were read, or that it is not known of each."""
        with self.store.transaction() as db:
            db.execute("DELETE FROM about WHERE key=?", (_READING,))
            if reading is not None:
                db.execute("INSERT INTO about VALUES(?,?)", (_READING, reading))

    def arrive(self, arrivals: Iterable[Arrival]) -> None:
        """Write down sets seen for the first time, in one transaction; what another pass wrote meanwhile stays.

        Where a damaged set once stood under the same name, the fingerprint of its sound content is
        expected of the new one: damage that went away and came back is damage still.
        """
        with self.store.transaction() as db:
            db.executemany(
                "INSERT OR IGNORE INTO sets(place, arm, path, form, first_seen, stamp, fingerprint) VALUES(?1,?2,?3,?4,?5,?6,"
                " (SELECT fingerprint FROM sets WHERE place=?1 AND path=?3 AND damaged_at IS NOT NULL"
                " ORDER BY id DESC LIMIT 1))",
                [
                    (a.place, a.arm, name_bytes(a.path), a.form, time_text(a.first_seen), time_text(a.stamp))
                    for a in arrivals
                ],
            )

    def wait(self, known: Known, signature: str | None, since: datetime, trouble: str | None = None) -> None:
        """Write down that a set is not ready: how it looks, since when, and what hinders reading it."""
        with self.store.transaction(kept=False) as db:
            db.execute(
                "UPDATE sets SET signature=?, quiet_since=?, trouble=? WHERE id=?",
                (signature, time_text(since), trouble, known.id),
            )

    def seal(self, known: Known, seal: Seal) -> None:
        """Write down a set that was read whole. Its proof begins anew; earlier damage stays.

        Where another pass sealed it since it was looked up, that seal stands. What it held before stays
        known, as of a set that is gone: a copy of that is no younger for what came into the original since.
        """
        with self.store.transaction(kept=False) as db:
            _keep_claim(db, known, seal.sealed_at, seal.fingerprint)
            written = db.execute(
                "UPDATE sets SET signature=NULL, quiet_since=NULL, trouble=NULL, sealed_at=?, recipe=?, shape=?,"
                " fingerprint=?, newest_member=?, complete=?, problems=?, identity=?, files=?, bytes=?,"
                " essence=?, last_read_at=NULL WHERE id=? AND gone_at IS NULL AND sealed_at IS ?",
                (
                    time_text(seal.sealed_at), seal.recipe, seal.shape, seal.fingerprint,
                    time_text(seal.newest_member), int(seal.complete), json.dumps(seal.problems), seal.identity,
                    len(seal.files), sum(file.size for file in seal.files), seal.essence, known.id,
                    known.sealed_at,
                ),
            )  # fmt: skip
            if not written.rowcount:
                return
            _write_content(db, known, seal.parts, seal.files)
            state = "complete" if seal.complete else "settled"
            body = {"state": state, "newest_member": time_text(seal.newest_member)}
            changes.note_of(db, known, seal.sealed_at, seal.fingerprint, body)

    def rejudge(self, known: Known, seal: Seal) -> None:
        """Write down how a set looks now, and what its recipe makes of it, whose content is as it was; its proof stays.

        What it claims of its age stays too: a time that was set anew makes no backup younger. What is read of a
        zip by another zone may be earlier.
        """
        with self.store.transaction() as db:
            if known.recipe != seal.recipe:
                db.execute(
                    "UPDATE sets SET newest_member=?1 WHERE id=?2 AND newest_member>?1",
                    (time_text(seal.newest_member), known.id),
                )
            db.execute(
                "UPDATE sets SET trouble=NULL, recipe=?, shape=?, complete=?, problems=?, identity=?, essence=? WHERE id=?",
                (
                    seal.recipe, seal.shape, int(seal.complete), json.dumps(seal.problems), seal.identity,
                    seal.essence, known.id,
                ),
            )  # fmt: skip
            _write_content(db, known, seal.parts, seal.files)
            state = "complete" if seal.complete else "settled"
            why = "its times changed" if known.recipe == seal.recipe else "the recipe changed"
            changes.note_of(db, known, seal.sealed_at, seal.fingerprint, {"state": state, "why": why})

    def read_back(
        self, known: Known, at: datetime, shape: str, files: tuple[FileFacts, ...], essence: str | None
    ) -> bool:
        """Write down that a set was read again with every digest equal.

        Its times may have changed meanwhile, so they are written anew, and damage that was
        noted before is taken back, which the ledger tells. Returns False, and nothing is written,
        where somebody else sealed it anew, or found damage, since it was looked up.
        """
        with self.store.transaction(kept=False) as db:
            written = db.execute(
                "UPDATE sets SET last_read_at=?, shape=?, essence=?, trouble=NULL, damaged_at=NULL, damage=NULL"
                " WHERE id=? AND sealed_at IS ? AND (damaged_at IS NOT NULL)=?",
                (time_text(at), shape, essence, known.id, known.sealed_at, known.damaged),
            )
            if not written.rowcount:
                return False
            _write_manifest(db, known.id, files)
            body = {"state": "read-back", "was_damaged": True} if known.damaged else {"state": "read-back"}
            changes.note_of(db, known, at, known.fingerprint, body)
        return True

    def begin_proofs_anew(self, place: int) -> None:
        """Take back that the sets of a place were read back: what was read then stood on another share."""
        with self.store.transaction() as db:
            db.execute("UPDATE sets SET last_read_at=NULL WHERE place=? AND gone_at IS NULL", (place,))

    def damage(self, known: Known, at: datetime, what: str) -> None:
        """Write down that a set differs from what was read of it. Nothing of it is read anew as the truth."""
        with self.store.transaction() as db:
            first = db.execute(
                "UPDATE sets SET damaged_at=? WHERE id=? AND damaged_at IS NULL", (time_text(at), known.id)
            )
            db.execute("UPDATE sets SET damage=? WHERE id=?", (what, known.id))
            if first.rowcount:
                changes.note_of(db, known, at, known.fingerprint, {"state": "damaged", "what": what})

    def hinder(self, known: Known, trouble: str) -> None:
        """Write down what hinders reading a sealed set; a read that succeeds takes it back."""
        with self.store.transaction() as db:
            db.execute("UPDATE sets SET trouble=? WHERE id=?", (trouble, known.id))

    def unseal(self, known: Known, at: datetime) -> None:
        """Take back the seal of a set that was never complete and has changed: it is arriving again.

        What it held stays known as after another seal: a copy of that is no younger for it.
        """
        with self.store.transaction() as db:
            _keep_claim(db, known, at)
            db.execute(
                "UPDATE sets SET complete=NULL, fingerprint=NULL, essence=NULL, sealed_at=NULL, problems='[]',"
                " last_read_at=NULL, shape=NULL WHERE id=?",
                (known.id,),
            )

    def depart(self, gone: Iterable[Known], at: datetime) -> None:
        """Write down sets that are no longer there. What was learnt of them stays."""
        with self.store.transaction() as db:
            for known in gone:
                departed = db.execute(
                    "UPDATE sets SET gone_at=? WHERE id=? AND gone_at IS NULL", (time_text(at), known.id)
                )
                if not departed.rowcount:
                    continue
                changes.note_of(db, known, at, known.fingerprint, {"state": "gone"})

    def hold(self, known: Known, at: datetime, why: str, told: Mapping[str, object]) -> None:
        """Write down that retention moved a set away, and why: one fact with the ledger's entry about it."""
        with self.store.transaction() as db:
            departed = db.execute(
                "UPDATE sets SET gone_at=?, trouble=? WHERE id=? AND gone_at IS NULL", (time_text(at), why, known.id)
            )
            if departed.rowcount:
                changes.note_of(db, known, at, known.fingerprint, {"state": "gone", "why": why})
            changes.note(db, at, "keep", known.arm, told)

    def give_back(
        self, place: int, arm: str, path: str, fingerprint: str, at: datetime, told: Mapping[str, object]
    ) -> None:
        """Write down that a set was moved back to where it was, with all that was learnt of it.

        Of one that was not read since the catalogue was built again the next look must find what the ledger tells.
        """
        raw = name_bytes(path)
        with self.store.transaction() as db:
            row = db.execute(
                "SELECT id FROM sets WHERE place=?1 AND path=?2 AND arm=?3 AND fingerprint=?4 AND NOT EXISTS"
                " (SELECT 1 FROM sets WHERE place=?1 AND path=?2 AND gone_at IS NULL) ORDER BY id DESC LIMIT 1",
                (place, raw, arm, fingerprint),
            ).fetchone()
            if row is not None:
                db.execute(
                    "UPDATE sets SET gone_at=NULL, trouble=NULL, complete=CASE WHEN sealed_at IS NOT NULL THEN complete END"
                    " WHERE id=?",
                    row,
                )
                db.execute("DELETE FROM about WHERE key=?", (_READING,))  # its name was read when it was last there
                changes.note_of(db, self._at(place, raw), at, fingerprint, {"state": "returned"})
            changes.note(db, at, "keep", arm, told)

    def ever_had(self, place: int, arm: str, path: str, fingerprint: str) -> bool:
        """Whether a set with this content ever stood at this path."""
        with self.store.told():
            row = self.store.connection.execute(
                "SELECT 1 FROM sets WHERE place=? AND path=? AND arm=? AND fingerprint=?",
                (place, name_bytes(path), arm, fingerprint),
            ).fetchone()
        return row is not None

    def manifest(self, set_id: int) -> tuple[FileFacts, ...]:
        """The files of a set as they were read; empty where it was never read to its end."""
        with self.store.told():
            row = self.store.connection.execute(
                "SELECT names, stats, sha256, blake3 FROM manifests WHERE set_id=?", (set_id,)
            ).fetchone()
        return () if row is None else unpack_manifest(*row)

    def alike(
        self, known: Known, files: tuple[FileFacts, ...], newest_member: datetime, fingerprint: str
    ) -> str | None:
        """The path of another set of the same arm and place with these names, sizes and times and another fingerprint.

        It was read before this one turned up: what turns up with it may have been given one time with it, by whoever
        packed or copied both.
        """
        names, stats, _, _ = pack_manifest(files)
        with self.store.told():
            rows = self.store.connection.execute(
                "SELECT s.path, m.stats FROM sets s JOIN manifests m ON m.set_id=s.id WHERE s.arm=? AND s.sealed_at<?"
                " AND s.place=(SELECT place FROM sets WHERE id=?) AND s.complete=1 AND s.fingerprint<>?"
                " AND s.files=? AND s.bytes=? AND s.newest_member BETWEEN ? AND ? AND m.names=? ORDER BY s.id DESC",
                (
                    known.arm, time_text(known.first_seen), known.id, fingerprint,
                    len(files), sum(file.size for file in files),
                    time_text(newest_member - COARSEST), time_text(newest_member + COARSEST), names,
                ),
            ).fetchall()  # fmt: skip
        return next((name_text(path) for path, others in rows if same_stats(stats, others, COARSEST)), None)

    def resolve(self, text: str) -> list[tuple[Known, int]]:
        """The sets with this path, or whose fingerprint begins so, each with its place; the share's first."""
        by_path = "path=?"
        with self.store.told():
            found = self._identify(by_path, name_bytes(text.rstrip("/")))
            if not found and len(text) >= 8 and all(c in "0123456789abcdef" for c in text.lower()):
                found = self._identify("fingerprint LIKE ?", text.lower() + "%")
        return found

    def _identify(self, condition: str, value: object) -> list[tuple[Known, int]]:
        rows = self.store.connection.execute(
            f"SELECT place, arm, path FROM sets WHERE gone_at IS NULL AND {condition} ORDER BY place, id", (value,)
        ).fetchall()
        return [(self._at(place, path), place) for place, arm, path in rows]

    def due_for_read_back(self, place: int, arms: Iterable[str], before: datetime) -> list[Known]:
        """Complete sets in a place that were never read back or not since ``before``; oldest proof first."""
        wanted, proven_at = set(arms), _proven_at(place)
        with self.store.told():
            rows = self.store.connection.execute(
                f"{KNOWN} AND complete=1 AND damaged_at IS NULL AND ({proven_at} IS NULL OR {proven_at} < ?)"
                f" ORDER BY {proven_at}, id",
                (place, time_text(before)),
            )
            return [known for known in map(known_of, rows) if known.arm in wanted]

    def unproven(self, arms: Iterable[str], most: int) -> list[Known]:
        """Complete sets of these arms on the share, never read back or not readable since, the newest first."""
        wanted = set(arms)
        with self.store.told():
            rows = self.store.connection.execute(
                f"{KNOWN} AND complete=1 AND damaged_at IS NULL AND (last_read_at IS NULL OR trouble IS NOT NULL)"
                " ORDER BY coalesce(stamp, first_seen) DESC, id DESC",
                (0,),
            )
            return list(islice((known for known in map(known_of, rows) if known.arm in wanted), most))

    def proofs(self, place: int) -> list[tuple[str, str, Proven]]:
        """Every complete set in a place: arm, path, and how and when it was last read back."""
        with self.store.told():
            rows = self.store.connection.execute(
                f"SELECT arm, path, id, {_proven_at(place)}, bytes FROM sets WHERE place=? AND gone_at IS NULL"
                " AND complete=1 AND damaged_at IS NULL",
                (place,),
            ).fetchall()
        from guard.plan.read_back import Proven

        return [(arm, name_text(path), Proven(number, time_read(last), size)) for arm, path, number, last, size in rows]

    def copies_of(self, arm: str, fingerprint: str) -> list[tuple[int, Known]]:
        """The sets in further places that were identical when they were sealed, damaged ones too, with their places."""
        with self.store.told():
            rows = self.store.connection.execute(
                "SELECT place, path FROM sets WHERE arm=? AND place>0 AND gone_at IS NULL AND fingerprint=?"
                " AND complete=1",
                (arm, fingerprint),
            ).fetchall()
        return [(place, self._at(place, path)) for place, path in rows]

    def remember(self, sets: Iterable[Remembered]) -> None:
        """Fill a new catalogue with what the ledger tells of sets, and say that it is filled, in one transaction.

        Those that are there stand as not yet read; reading them then shows whether they are what they were.
        """
        with self.store.transaction() as db:
            db.executemany(
                f"INSERT INTO sets({_CLAIM}, damaged_at, gone_at, complete) VALUES(?,?,?,?,?,?,?,?,?,?,?,?)",
                [
                    (
                        a.place, a.arm, name_bytes(a.path), a.form, time_text(a.first_seen), time_text(a.stamp),
                        told.fingerprint, told.essence, time_text(told.newest_member), time_text(told.damaged_at),
                        time_text(told.gone_at), None if told.gone_at is None else 0,
                    )
                    for a, told in ((each.arrival, each) for each in sets)
                ],
            )  # fmt: skip
            db.execute("INSERT OR REPLACE INTO about VALUES(?, '')", (FILLED,))

    def close(self) -> None:
        """Close the catalogue's database."""
        self.store.close()


def _keep_claim(db: sqlite3.Connection, known: Known, at: datetime, holds: str | None = "") -> None:
    """Keep when a set claims to have been saved, as of one that is gone, unless it still ``holds`` the same."""
    db.execute(
        f"INSERT INTO sets({_CLAIM}, complete, gone_at) SELECT {_CLAIM}, 0, ? FROM sets"
        " WHERE id=? AND gone_at IS NULL AND sealed_at IS ? AND fingerprint<>?",
        (time_text(at), known.id, known.sealed_at, holds),
    )


def _proven_at(place: int) -> str:
    """When a set was last proven. Reading a further copy for the first time compares it with the share's set already."""
    return "last_read_at" if place == 0 else "coalesce(last_read_at, sealed_at)"


def _write_content(db: sqlite3.Connection, known: Known, parts: tuple[Part, ...], files: tuple[FileFacts, ...]) -> None:
    db.execute("DELETE FROM parts WHERE set_id=?", (known.id,))
    db.executemany(
        "INSERT INTO parts(set_id, arm, name, files, bytes, ok, digest, newest) VALUES(?,?,?,?,?,?,?,?)",
        [(known.id, known.arm, p.name, p.files, p.bytes, int(p.ok), p.digest, time_text(p.newest)) for p in parts],
    )
    _write_manifest(db, known.id, files)


def _write_manifest(db: sqlite3.Connection, set_id: int, files: tuple[FileFacts, ...]) -> None:
    db.execute("INSERT OR REPLACE INTO manifests VALUES(?,?,?,?,?)", (set_id, *pack_manifest(files)))
