"""The rules about having a proven backup: is there one, whole, fresh, read back and copied? Pure.

A rule returns what it finds at the question's time and the next moment at which it would
find something else if no new fact arrives. Limits are inside: a set exactly as old as
allowed is fresh, and turns one microsecond later.
"""

from __future__ import annotations

from datetime import timedelta

from guard.model import BackupSet, Finding, Question
from guard.rules.capture import Dated, believable
from guard.rules.evidence import MICROSECOND, later, seconds, utc
from guard.rules.findings import SILENT, Outcome, finding
from guard.rules.share import is_in_doubt
from guard.rules.standing import Standing, edits_since, is_another_arms, is_complete, is_damaged
from guard.units import in_words, quoted


def no_backup(at: Standing, _question: Question) -> Outcome:
    """Hold where nothing on the share has settled."""
    if any(not item.set.gone and item.set.checked is not None for item in at.history):
        return SILENT
    arm = at.facts.arm.id
    waiting = sum(not item.set.gone for item in at.history)
    message = f"The share holds no settled backup of {arm}" + (
        f"; {waiting} still arriving or not yet looked at." if waiting else "."
    )
    if is_in_doubt(at.facts.share):
        remedy = f"Bring the right share back first: whether it holds a backup of {arm} cannot be told now."
    elif waiting:
        remedy = f"Let the copy finish, then run: {_taken_in(arm)}"
    else:
        remedy = f"Save a backup of {arm} to the share, then run: {_taken_in(arm)}"
    return Outcome((finding("no-backup", "hold", message, remedy, waiting=waiting),))


def _taken_in(arm: str) -> str:
    """What takes in a new backup; a look alone does not, since no set carries an answer before it was read back."""
    return f"guard look, and: guard prove --arm {arm}"


def incomplete_set(at: Standing, _question: Question) -> Outcome:
    """Hold where no set is complete; caution for each newer incomplete one."""
    lacking = [item for item in at.others if item.set.checked is not None and not is_complete(item.set)]
    if not lacking:
        return SILENT
    complete = any(is_complete(item.set) and not item.set.gone for item in at.history)
    if not complete:
        newest = lacking[-1]
        return Outcome((_incomplete(at, newest, "hold", "No set is complete. The newest one"),))
    return Outcome(tuple(_incomplete(at, item, "caution", "The newer set") for item in lacking))


def _incomplete(at: Standing, item: Dated, level: str, opening: str) -> Finding:
    faults = [problem.message for problem in item.set.problems if problem.code == "incomplete-set"]
    listed = ("; ".join(faults[:3]) or "no file of it was read whole") + (
        f"; and {len(faults) - 3} more" if len(faults) > 3 else ""
    )
    return finding(
        "incomplete-set",
        "hold" if level == "hold" else "caution",
        f"{opening} {item.set.path} is not complete: {listed}.",
        f"Save {at.facts.arm.id} again with all parts, then run: {_taken_in(at.facts.arm.id)}",
        set=item.set.path,
        problems=faults,
    )


def damaged_set(at: Standing, _question: Question) -> Outcome:
    """Each damaged set that is not older than the one that carries the answer."""
    level = "caution" if at.resting else "hold"
    return Outcome(
        tuple(
            finding(
                "damaged-set",
                "caution" if level == "caution" else "hold",
                f"The set {item.set.path} is damaged: {item.set.changed or item.set.damage or 'it differs from what was read'}.",
                f"Keep the damaged set aside, save a new backup of {at.facts.arm.id} under a new name, then run:"
                f" {_taken_in(at.facts.arm.id)}. What differs: guard prove {quoted(item.set.path)}",
                set=item.set.path,
                damaged_at=utc(item.set.damaged_at),
                what=item.set.changed or item.set.damage,
            )
            for item in at.others
            if is_damaged(item.set)
        )
    )


def stale_backup(at: Standing, question: Question) -> Outcome:
    """Hold where the set is older at the event's start than allowed, or its age is not known."""
    if at.resting is None:
        return SILENT
    limit = at.facts.limits.fresh_for(question.action)
    captured = at.resting.captured_at
    path, arm = at.resting.set.path, at.facts.arm.id
    remedy = f"Save a fresh backup of {arm}, then run: {_taken_in(arm)}"
    if captured is None:
        message = f"The age of the newest proven set {path} is not known: none of its times can be believed."
        return Outcome((finding("stale-backup", "hold", message, remedy, None, **_aged(at, None, limit)),))
    age = question.at - captured
    if age <= limit:
        return Outcome(turns_at=later(captured, limit, MICROSECOND))
    message = (
        f"The newest proven set {path} {_be(at, question)} {in_words(age)} old;"
        f" {in_words(limit)} is allowed before a {question.action}."
    )
    return Outcome((finding("stale-backup", "hold", message, remedy, None, **_aged(at, age, limit)),))


def _aged(at: Standing, age: timedelta | None, limit: timedelta) -> dict[str, object]:
    path = at.resting.set.path if at.resting else None
    return {"age_s": None if age is None else seconds(age), "limit_s": seconds(limit), "set": path}


def _be(at: Standing, question: Question) -> str:
    return "will then be" if question.at > at.facts.as_of else "is"


def edited_since(at: Standing, _question: Question) -> Outcome:
    """Hold where an edit mark is later than the capture time, or the capture time is not known."""
    if at.resting is None:
        return SILENT
    captured = at.resting.captured_at
    edits = edits_since(at.facts, captured)
    if not edits:
        return SILENT
    last = edits[-1]
    by = f" by {last.by}" if last.by else ""
    return Outcome(
        (
            finding(
                "edited-since",
                "hold",
                f"The arm was edited{by} after the newest proven set {at.resting.set.path} was saved.",
                f"Save a backup of {at.facts.arm.id} that holds the edit, then run: {_taken_in(at.facts.arm.id)}",
                set=at.resting.set.path,
                edited_at=utc(last.at),
                edits=len(edits),
                captured_at=utc(captured),
                note=last.note,
            ),
        )
    )


def not_read_back(at: Standing, question: Question) -> Outcome:
    """Hold where no complete set was ever read back, or the last time is too long ago."""
    limit = at.facts.limits.read_back_within
    remedy = f"Run: guard prove --arm {at.facts.arm.id}"
    if at.resting is None:
        unread = [item for item in at.others if _awaits_read_back(item.set) and not is_another_arms(item.set, at.facts)]
        if not unread:
            return SILENT
        path = unread[-1].set.path
        message = f"No complete set of {at.facts.arm.id} was ever read back; the newest is {path}."
        return Outcome((finding("not-read-back", "hold", message, remedy, set=path, limit_s=seconds(limit)),))
    last = at.resting.set.last_read_at
    path, trouble = at.resting.set.path, at.resting.set.trouble
    if trouble is not None:
        message = f"The set {path} was read back once and cannot be read now: {trouble}."
        told = {"set": path, "limit_s": seconds(limit), "trouble": trouble}
        return Outcome((finding("not-read-back", "hold", message, remedy, None, **told),))
    if last is None or not believable(last, at.facts.as_of):
        message = f"When the set {path} was last read back cannot be believed: a clock was set back."
        return Outcome((finding("not-read-back", "hold", message, remedy, set=path, limit_s=seconds(limit)),))
    since = question.at - last
    if since <= limit:
        return Outcome(turns_at=later(last, limit, MICROSECOND))
    message = (
        f"The newest proven set {path} {_be(at, question)} unread for {in_words(since)}; {in_words(limit)} is allowed."
    )
    return Outcome(
        (
            finding(
                "not-read-back",
                "hold",
                message,
                remedy,
                set=path,
                last_read_at=utc(last),
                since_s=seconds(since),
                limit_s=seconds(limit),
            ),
        )
    )


def _awaits_read_back(backup: BackupSet) -> bool:
    return is_complete(backup) and backup.last_read_at is None and not is_damaged(backup)


def unsettled_newer(at: Standing, _question: Question) -> Outcome:
    """Caution for a newer set that is still arriving or not read back, another arm's too: wrong-arm may yet be lifted."""
    arriving = [item for item in at.others if item.set.checked is None and not is_damaged(item.set)]
    unread = [item for item in at.others if _awaits_read_back(item.set)] if at.resting else []
    return Outcome(
        tuple(
            finding(
                "unsettled-newer",
                "caution",
                f"The newer set {item.set.path} {state}; it does not carry the answer"
                + (f" ({item.set.trouble})." if item.set.trouble else "."),
                remedy,
                set=item.set.path,
            )
            for items, state, remedy in (
                (
                    arriving,
                    "is still arriving or was not looked at yet",
                    f"Let the copy finish, then run: {_taken_in(at.facts.arm.id)}",
                ),
                (unread, "was not read back yet", f"Run: guard prove --arm {at.facts.arm.id}"),
            )
            for item in items
        )
    )


def too_few_copies(at: Standing, _question: Question) -> Outcome:
    """Caution where fewer further places than configured hold an identical set."""
    if at.resting is None or at.resting.set.copies >= at.facts.limits.copies_needed:
        return SILENT
    held, needed = at.resting.set.copies, at.facts.limits.copies_needed
    message = f"{held} further {'place holds' if held == 1 else 'places hold'} a copy of {at.resting.set.path} identical to it; {needed} needed."
    remedy = (
        "Copy the set to the further places, then run: guard look. A damaged copy that was replaced counts again after:"
        f" guard prove {quoted(at.resting.set.path)}"
    )
    return Outcome((finding("too-few-copies", "caution", message, remedy, copies=held, needed=needed),))


def restore_test_due(at: Standing, question: Question) -> Outcome:
    """Caution where no restore test of this arm was recorded within the limit."""
    limit = at.facts.limits.restore_test_within
    if limit is None:
        return SILENT
    tests = [mark.at for mark in at.facts.marks if mark.kind == "restore-test" and believable(mark.at, at.facts.as_of)]
    arm = at.facts.arm.id
    remedy = (
        f"On a spare controller or at a planned stop, restore a set as the machine maker's manual says, then run:"
        f" guard mark restore-test {arm}"
    )
    if not tests:
        message = f"No restore test of {arm} was ever recorded."
        return Outcome((finding("restore-test-due", "caution", message, remedy, since_s=None, limit_s=seconds(limit)),))
    since = question.at - max(tests)
    if since <= limit:
        return Outcome(turns_at=later(max(tests), limit, MICROSECOND))
    message = f"The last restore test of {arm} was {in_words(since)} before that time; {in_words(limit)} is allowed."
    return Outcome(
        (finding("restore-test-due", "caution", message, remedy, since_s=seconds(since), limit_s=seconds(limit)),)
    )
