"""What the ledger tells of an arm's memory after changes of its cell and power-downs: was it what it had been?

Each outcome is one entry of the kind ``proof``, with the fingerprints of the sets that were compared.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from datetime import datetime

from guard.lapses import Kind, Lapse, Proofs, Settled
from guard.model import Mark
from guard.plant import AXIS_ZERO
from guard.rules.lapses import Account
from guard.store.encoding import canonical, moment, time_text
from guard.store.ledger import Ledger, append

TYPE_CHECKING = False

if TYPE_CHECKING:
    from typing import Any


def proofs(ledger: Ledger, arm: str | None = None) -> dict[str, Proofs]:
    """The outcomes recorded about one arm, or about every arm that has any."""
    settled: dict[str, dict[tuple[Kind, datetime], Settled]] = {}
    differed: dict[str, dict[tuple[Kind, datetime], Lapse]] = {}
    for _, name, body in _standing(ledger, arm):
        lapse = _lapse(body)
        key = lapse.kind, lapse.began_at
        if body["outcome"] == "differs":
            differed.setdefault(name, {})[key] = lapse
        elif lapse.ended_at is not None:
            known = settled.setdefault(name, {})
            until = max(lapse.ended_at, known[key].ended_at if key in known else lapse.ended_at)
            known[key] = Settled(*key, until)
    return {
        name: Proofs(
            tuple(settled.get(name, {}).values()),
            tuple(lapse for key, lapse in differed.get(name, {}).items() if key not in settled.get(name, {})),
        )
        for name in settled.keys() | differed.keys()
    }


def last_proof(ledger: Ledger, arm: str) -> tuple[datetime, dict[str, Any]] | None:
    """When it last turned out whether an arm's memory is what it was, and what the ledger says of that."""
    found = None
    for at, _, body in _standing(ledger, arm):
        found = moment(at), body
    return found


def _standing(ledger: Ledger, arm: str | None) -> Iterator[tuple[str, str, dict[str, Any]]]:
    """Every outcome, oldest first, but for those for which nobody answers any more."""
    marks: tuple[Mark, ...] | None = None
    for at, name, body in [*ledger.bodies("proof", arm)]:
        if body["outcome"] == "checked":
            marks = ledger.marks(arm) if marks is None else marks
            if not _is_answered_for(name, body, marks):
                continue
        yield at, name, body


def _is_answered_for(arm: str, body: dict[str, Any], marks: Iterable[Mark]) -> bool:
    """Takes as proof that the marks by which a person answered for a memory stand: one that is taken back ends nothing."""
    ended, after = _lapse(body).ended_at, body["after_fingerprint"]
    of_arm = [mark for mark in marks if mark.arm == arm]
    checked = any(
        mark.kind == "memory-checked" and mark.fingerprint == after and ended is not None and mark.at > ended
        for mark in of_arm
    )
    moved = any(part["part"] == AXIS_ZERO for part in body["differs"] or ())
    return checked and (not moved or any(mark.kind == "re-zeroed" for mark in of_arm))


def _lapse(body: dict[str, Any]) -> Lapse:
    ended = body["ended_at"]
    return Lapse(
        body["of"], moment(body["began_at"]), None if ended is None else moment(ended), body["set"], body["fingerprint"]
    )


def note(ledger: Ledger, arm: str, accounts: Iterable[Account], now: datetime) -> int:
    """Write down what turned out and is not written down yet; returns how many entries that made."""
    made = 0
    with ledger.store.transaction() as db:
        for account in accounts:
            body = _body(account)
            named = [body[key] for key in ("of", "began_at", "ended_at", "outcome", "after_fingerprint")]
            source = canonical(["proof", arm, *named])
            if db.execute("SELECT 1 FROM entries WHERE source=?", (source,)).fetchone() is None:
                append(db, time_text(now) or "", "proof", arm, canonical(body), source)
                made += 1
    return made


def _body(account: Account) -> dict[str, object]:
    lapse, after, compared = account.lapse, account.after, account.compared
    return {
        "outcome": account.how,
        "of": lapse.kind,
        "began_at": time_text(lapse.began_at),
        "ended_at": time_text(lapse.ended_at),
        "set": lapse.before,
        "fingerprint": lapse.fingerprint,
        "after": after and after.set.path,
        "after_fingerprint": after and after.set.fingerprint,
        "by": account.checked_by,
        "differs": [{**part._asdict(), "names": list(part.names)} for part in compared.parts] if compared else None,
    }
