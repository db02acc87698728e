"""The rules about content that does not add up: another arm's, filed again, moved, shrunk, odd. Pure."""

from __future__ import annotations

from collections.abc import Iterator

from guard.model import BackupSet, Finding, Question
from guard.plant import AXIS_ZERO
from guard.rules.capture import Dated
from guard.rules.evidence import seconds, utc
from guard.rules.findings import SILENT, Outcome, finding
from guard.rules.standing import (
    Standing,
    identity_differs,
    identity_wanted,
)
from guard.units import bytes_in_words, in_words, quoted


def wrong_arm(at: Standing, _question: Question) -> Outcome:
    """Hold for a set that names another controller or shares its arm-specific content with another arm."""
    return Outcome(tuple(_wrong_arm_findings(at)))


def _wrong_arm_findings(at: Standing) -> Iterator[Finding]:
    arm = at.facts.arm.id
    remedy = (
        "Find out which arm the content was saved from, and restore none of it until then. Move the wrong set out of"
        " the share, and save the arm again whose folder it was in."
    )
    for item in at.others:
        if item.set.gone:
            continue
        if identity_differs(item.set, at.facts):  # the cause, so it is told before what follows from it
            wanted = identity_wanted(at.facts)
            yield finding(
                "wrong-arm",
                "hold",
                f"The set {item.set.path} names {item.set.identity}; {arm} is {wanted}.",
                remedy,
                set=item.set.path,
                found=item.set.identity,
                expected=wanted,
            )
    for item in at.others:
        for twin in () if item.set.gone else item.set.twins:
            yield finding(
                "wrong-arm",
                "hold",
                f"The {twin.part} of {item.set.path} equals that of {twin.arm} in {twin.path}: one of"
                " them is another arm's.",
                remedy,
                set=item.set.path,
                part=twin.part,
                other_arm=twin.arm,
                other_set=twin.path,
            )


def refiled_copy(at: Standing, _question: Question) -> Outcome:
    """Caution for a set that is an older one filed again."""
    return Outcome(
        tuple(
            finding(
                "refiled-copy",
                "caution",
                f"Every saved byte of {item.set.path} equals the older {item.refiled_from}: it is that backup"
                " filed again, and has its age.",
                f"Save {at.facts.arm.id} anew instead of copying the folder.",
                set=item.set.path,
                original=item.refiled_from,
                captured_at=utc(item.captured_at),
            )
            for item in at.judged
            if item.refiled_from is not None
        )
    )


def clock_in_doubt(at: Standing, _question: Question) -> Outcome:
    """Caution for a set with a time that cannot be right."""
    return Outcome(
        tuple(
            finding(
                "clock-doubt",
                "caution",
                f"A time of {item.set.path} cannot be right: {item.clock_doubt}.",
                "Set the controller's clock and this computer's clock right, then save again.",
                set=item.set.path,
                stamp=utc(item.set.stamp),
                first_seen=utc(item.set.first_seen),
            )
            for item in at.judged
            if item.clock_doubt is not None
        )
    )


def mixed_times(at: Standing, _question: Question) -> Outcome:
    """Caution for a set whose parts were written too far apart."""
    found = []
    for item in at.judged:
        times = [(part.newest, part.name) for part in item.set.parts if part.newest is not None]
        if not times:
            continue
        (first, first_part), (last, last_part) = min(times), max(times)
        if last - first > at.facts.limits.parts_apart:
            found.append(
                finding(
                    "mixed-times",
                    "caution",
                    f"In {item.set.path}, {first_part} is {in_words(last - first)} older than {last_part};"
                    f" {in_words(at.facts.limits.parts_apart)} is allowed.",
                    f"Save all parts of {at.facts.arm.id} in one go.",
                    set=item.set.path,
                    apart_s=seconds(last - first),
                    limit_s=seconds(at.facts.limits.parts_apart),
                )
            )
    return Outcome(tuple(found))


def axis_zero_moved(at: Standing, _question: Question) -> Outcome:
    """Caution for a set whose axis zero content differs from the last sound one before it, unmarked."""
    found = []
    for item, before in at.compared(_holds_axis_zero):
        now, then = item.set.part(AXIS_ZERO), before.set.part(AXIS_ZERO)
        if now is None or then is None or not now.files or now.digest == then.digest:
            continue
        if _re_zeroed_between(at, before, item):
            continue
        found.append(
            finding(
                "axis-zero-moved",
                "caution",
                f"The axis zero references in {item.set.path} differ from those in {before.set.path},"
                " and no re-zeroing is marked between them.",
                f"If it was re-zeroed: guard mark re-zeroed {at.facts.arm.id} --at WHEN. Otherwise find the"
                " cause first: with wrong references the arm moves elsewhere than taught.",
                set=item.set.path,
                before=before.set.path,
            )
        )
    return Outcome(tuple(found))


def _holds_axis_zero(backup: BackupSet) -> bool:
    part = backup.part(AXIS_ZERO)
    return part is not None and part.ok and part.files > 0


def _re_zeroed_between(at: Standing, before: Dated, item: Dated) -> bool:
    if before.captured_at is None or item.captured_at is None:
        return False
    return any(mark.kind == "re-zeroed" and before.captured_at < mark.at <= item.captured_at for mark in at.facts.marks)


def shrunk_set(at: Standing, _question: Question) -> Outcome:
    """Caution for a set with far fewer programs or bytes than the last whole set before it."""
    found = []
    for item, before in at.compared(_was_whole):
        if item.set.fingerprint is None:  # it could not be read, so its size is not known; incomplete-set tells why
            continue
        for what, count, count_before, words in _sizes(item.set, before.set):
            if (count_before - count) * 1000 >= at.facts.limits.shrink_permille * count_before > 0:
                found.append(
                    finding(
                        "shrunk-set",
                        "caution",
                        f"The set {item.set.path} has {words} as the one before it, {before.set.path}.",
                        f"Compare the two: guard compare {quoted(before.set.path)} {quoted(item.set.path)}. If nothing was deleted on purpose, save again.",
                        set=item.set.path,
                        before=before.set.path,
                        what=what,
                        count=count,
                        count_before=count_before,
                    )
                )
                break
    return Outcome(tuple(found))


def _was_whole(backup: BackupSet) -> bool:
    return backup.checked is True


def _sizes(now: BackupSet, before: BackupSet) -> Iterator[tuple[str, int, int, str]]:
    programs, programs_before = now.part("programs"), before.part("programs")
    if programs is not None and programs_before is not None:
        counts = (programs.files, programs_before.files)
        yield "programs", *counts, f"{counts[0]} programs, not {counts[1]}"
    sizes = (now.bytes, before.bytes)
    yield "bytes", *sizes, f"{bytes_in_words(sizes[0])}, not {bytes_in_words(sizes[1])}"


def odd_entry(at: Standing, _question: Question) -> Outcome:
    """Caution for entries in the arm's folder or its sets that do not belong there."""
    inside = [
        (item.set.path, f"{item.set.path}: {problem.message}")
        for item in at.judged
        for problem in item.set.problems
        if problem.code == "odd-entry"
    ]
    beside = at.facts.odd_entries
    entries = [*(f"{path} ({why})" for path, why in beside), *(told for _, told in inside)]
    if not entries:
        return SILENT
    arm = at.facts.arm.id
    remedy = (
        f"Rename {quoted(beside[0][0])} so that it fits the layout, or move it out of the folder of {arm}."
        if beside
        else f"Save a new backup of {arm} without what does not belong in {quoted(inside[0][0])}; leave that set as it is."
    )
    more = f" and {len(entries) - 1} more" if len(entries) > 1 else ""
    return Outcome(
        (
            finding(
                "odd-entry",
                "caution",
                f"An entry does not belong: {entries[0]}{more}.",
                remedy,
                entries=entries[:20],
                count=len(entries),
            ),
        )
    )
