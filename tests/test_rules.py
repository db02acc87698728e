"""Each rule from both sides of its boundary: at the limit, a microsecond under it, a microsecond over it."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest

from guard.model import BackupSet, Level, Problem, Proof, Twin
from guard.rules.findings import EXPLANATIONS, finding
from guard.rules.standing import proof
from tests.facts import ARM, DAY, HOUR, LIMITS, MICROSECOND, NOW, RECIPE, Given, given, mark, part, proven

SEEN: dict[str, set[Level]] = {}
"""The levels that the rows below expect of each code."""

Test = Callable[..., None]


def row(name: str, of: Given, *levels: Level) -> Any:
    """One way to be right or wrong, and the levels of the findings it must give."""
    return pytest.param(of, list(levels), id=name)


def rows(code: str, *cases: Any) -> Callable[[Test], Test]:
    """Run a test with each row, and remember which levels were asked of the code."""
    SEEN.setdefault(code, set()).update(level for case in cases for level in case.values[1])
    return pytest.mark.parametrize(("of", "levels"), cases)


def expect(code: str, of: Given, levels: list[Level]) -> None:
    """The verdict has findings of that code with exactly these levels, and each can be acted upon."""
    found = of.findings(code)
    assert [each.level for each in found] == levels
    for each in found:
        assert each.evidence
        assert each.remedy
        about = [each.evidence["set"]] if "set" in each.evidence else [backup.path for backup in of.facts.sets]
        if code in ("no-backup", "restore-test-due"):
            about = [ARM.id]
        if not code.startswith("share-"):
            assert [name for name in about if str(name) in each.message], each.message
        assert "()" not in each.message
        assert ": ." not in each.message


def test_the_default_facts_are_clear() -> None:
    answer = given(proven()).verdict
    assert (answer.level, answer.findings) == ("clear", ())


def test_the_rows_ask_for_every_level_that_is_explained() -> None:
    explained = {code: {level for level, _ in EXPLANATIONS[code].levels} for code in SEEN}
    assert explained == SEEN


def test_a_level_that_is_not_explained_cannot_be_found() -> None:
    with pytest.raises(AssertionError, match="no-backup never has the level caution"):
        finding("no-backup", "caution", "…", "…")


NEWER, OLDER = proven(5 * HOUR), proven(30 * HOUR)
INCOMPLETE = {
    "checked": False,
    "problems": (Problem("incomplete-set", "image: no file like memory.bin, at least 1 expected"),),
    "last_read_at": None,
}
ARRIVING = {"checked": None, "fingerprint": None, "files": 0, "parts": (), "identity": None, "last_read_at": None}
UNREAD = {"last_read_at": None}
DAMAGED = {"damaged_at": NOW - HOUR, "damage": "the content of memory.bin differs"}
CHANGED = {"changed": "memory.bin has 3 bytes, 65536 expected"}
TWIN = {"twins": (Twin("arm-09", "arm-09/2026-11-20_0510", "image"),)}
ANOTHER = {"identity": "RC-0971"}
ODD = {"problems": (Problem("odd-entry", "latest is a symbolic link"),)}
TESTS_DUE = {"restore_test_within": 400 * DAY}
UNDATED = {"stamp": None, "newest_member": None, "first_seen": NOW + HOUR}


def at_the_same_time(**changes: Any) -> BackupSet:
    """A second set with the capture time of ``proven()``."""
    return proven(path="arm-07/other", **changes)


def a_moment_older(**changes: Any) -> BackupSet:
    """A set that was saved one microsecond before ``proven()``."""
    return proven(6 * HOUR + MICROSECOND, path="arm-07/other", **changes)


class TestNoBackup:
    """hold: no settled set at all."""

    @rows(
        "no-backup",
        row("no-set", given(), "hold"),
        row("gone", given(proven(gone=True)), "hold"),
        row("arriving", given(proven(**ARRIVING)), "hold"),
        row("arriving-and-gone", given(proven(**ARRIVING), OLDER._replace(gone=True)), "hold"),
        row("incomplete", given(proven(**INCOMPLETE))),
        row("damaged", given(proven(**DAMAGED))),
        row("complete", given(proven(**UNREAD))),
    )
    def test_boundary(self, of: Given, levels: list[Level]) -> None:
        expect("no-backup", of, levels)


class TestIncompleteSet:
    """hold: no complete set; caution: a newer set is incomplete, an older one carries the answer."""

    @rows(
        "incomplete-set",
        row("alone", given(proven(**INCOMPLETE)), "hold"),
        row("two", given(proven(**INCOMPLETE), OLDER._replace(**INCOMPLETE)), "hold"),
        row("the-complete-one-is-gone", given(NEWER._replace(gone=True), OLDER._replace(**INCOMPLETE)), "hold"),
        row("no-problem-told", given(proven(checked=False)), "hold"),
        row("complete-without-a-file", given(proven(files=0)), "hold"),
        row("complete-without-a-fingerprint", given(proven(fingerprint=None)), "hold"),
        row("newer", given(OLDER, NEWER._replace(**INCOMPLETE)), "caution"),
        row("two-newer", given(OLDER, NEWER._replace(**INCOMPLETE), proven(**INCOMPLETE)), "caution", "caution"),
        row("as-old", given(proven(), at_the_same_time(**INCOMPLETE)), "caution"),
        row("of-unknown-age", given(proven(), OLDER._replace(**INCOMPLETE, **UNDATED)), "caution"),
        row("a-microsecond-older", given(proven(), a_moment_older(**INCOMPLETE))),
        row("newer-and-gone", given(OLDER, NEWER._replace(**INCOMPLETE, gone=True))),
        row("arriving", given(OLDER, NEWER._replace(**ARRIVING))),
    )
    def test_boundary(self, of: Given, levels: list[Level]) -> None:
        expect("incomplete-set", of, levels)

    def test_the_first_three_faults_are_told_and_the_rest_counted(self) -> None:
        problems = tuple(Problem("incomplete-set", f"fault {number}") for number in range(5))
        (found,) = given(proven(**{**INCOMPLETE, "problems": problems})).findings("incomplete-set")
        assert found.message.endswith("is not complete: fault 0; fault 1; fault 2; and 2 more.")
        assert found.evidence["problems"] == [f"fault {number}" for number in range(5)]


class TestDamagedSet:
    """hold: no other set can carry the answer; caution: another does."""

    @rows(
        "damaged-set",
        row("alone", given(proven(**DAMAGED)), "hold"),
        row("alone-and-changed-now", given(proven(**CHANGED)), "hold"),
        row("the-other-is-damaged-too", given(NEWER._replace(**DAMAGED), OLDER._replace(**CHANGED)), "hold", "hold"),
        row("the-other-was-never-read-back", given(NEWER._replace(**DAMAGED), OLDER._replace(**UNREAD)), "hold"),
        row("the-other-is-gone", given(NEWER._replace(**DAMAGED), OLDER._replace(gone=True)), "hold"),
        row("newer", given(OLDER, NEWER._replace(**DAMAGED)), "caution"),
        row("as-old", given(proven(), at_the_same_time(**DAMAGED)), "caution"),
        row("a-microsecond-older", given(proven(), a_moment_older(**DAMAGED))),
        row("damaged-and-gone", given(proven(**DAMAGED, gone=True))),
        row("damaged-while-arriving", given(OLDER, NEWER._replace(**{**ARRIVING, **DAMAGED})), "caution"),
        row("sound", given(proven())),
    )
    def test_boundary(self, of: Given, levels: list[Level]) -> None:
        expect("damaged-set", of, levels)


class TestStaleBackup:
    """hold: older at the event's start than `fresh` allows."""

    @rows(
        "stale-backup",
        *(
            row(f"{action}-{name}", given(proven(limit), at=NOW + beyond, action=action), *levels)
            for action, limit in LIMITS.fresh
            for name, beyond, levels in (
                ("a-microsecond-under", -MICROSECOND, ()),
                ("at-the-limit", MICROSECOND * 0, ()),
                ("a-microsecond-over", MICROSECOND, ("hold",)),
            )
        ),
        row("of-unknown-age", given(proven(**UNDATED)), "hold"),
        row("fresh-at-a-moment-that-has-passed", given(proven(7 * DAY + MICROSECOND), at=NOW - MICROSECOND), "hold"),
        row("asked-about-a-moment-before-it-was-saved", given(proven(), at=NOW - 6 * HOUR - MICROSECOND)),
        row("an-older-one-is-stale", given(proven(), proven(8 * DAY))),
        row("a-newer-one-cannot-carry", given(proven(8 * DAY), NEWER._replace(**UNREAD)), "hold"),
        row("no-set-carries", given(proven(8 * DAY, **UNREAD))),
    )
    def test_boundary(self, of: Given, levels: list[Level]) -> None:
        expect("stale-backup", of, levels)

    def test_it_turns_a_microsecond_after_the_limit(self) -> None:
        answer = given(proven(6 * HOUR)).verdict
        assert (answer.holds_until, answer.then) == (NOW - 6 * HOUR + 7 * DAY + MICROSECOND, "hold")


class TestEditedSince:
    """hold: an `edit` mark later than the capture time."""

    SAVED = NOW - 6 * HOUR

    @rows(
        "edited-since",
        row("a-microsecond-before", given(proven(), marks=(mark("edit", SAVED - MICROSECOND),))),
        row("at-the-capture", given(proven(), marks=(mark("edit", SAVED),))),
        row("a-microsecond-after", given(proven(), marks=(mark("edit", SAVED + MICROSECOND),)), "hold"),
        row("in-the-future", given(proven(), marks=(mark("edit", NOW + DAY),)), "hold"),
        row("two", given(proven(), marks=(mark("edit", NOW), mark("edit", NOW - HOUR))), "hold"),
        row("before-a-set-of-unknown-age", given(proven(**UNDATED), marks=(mark("edit", NOW - 99 * DAY),)), "hold"),
        row(
            "after-the-original-of-a-refiled-copy",
            given(
                OLDER._replace(gone=True),
                proven(fingerprint=OLDER.fingerprint),
                marks=(mark("edit", NOW - 20 * HOUR),),
            ),
            "hold",
        ),
        row("another-kind", given(proven(), marks=(mark("cell-alarm", NOW), mark("re-zeroed", NOW)))),
        row("no-set-carries", given(proven(**UNREAD), marks=(mark("edit", NOW),))),
    )
    def test_boundary(self, of: Given, levels: list[Level]) -> None:
        expect("edited-since", of, levels)

    def test_the_last_edit_is_told_with_who_made_it(self) -> None:
        marks = (mark("edit", NOW - HOUR, by="Ana", note="gripper"), mark("edit", NOW - 2 * HOUR, by="Ben"))
        (found,) = given(proven(), marks=marks).findings("edited-since")
        assert "edited by Ana after" in found.message
        assert (found.evidence["edited_at"], found.evidence["note"]) == ("2026-11-25T07:00:00Z", "gripper")


class TestNotReadBack:
    """hold: no complete set was ever read back, or the last time is past `read-back-within`."""

    OF_LONG_AGO = datetime(2001, 1, 1, tzinfo=UTC)

    @rows(
        "not-read-back",
        row("a-microsecond-under", given(proven(last_read_at=NOW - 30 * DAY + MICROSECOND))),
        row("at-the-limit", given(proven(last_read_at=NOW - 30 * DAY))),
        row("a-microsecond-over", given(proven(last_read_at=NOW - 30 * DAY - MICROSECOND)), "hold"),
        row("over-at-the-event", given(proven(last_read_at=NOW - 30 * DAY), at=NOW + MICROSECOND), "hold"),
        row("read-just-now", given(proven(last_read_at=NOW))),
        row("read-in-the-future", given(proven(last_read_at=NOW + MICROSECOND)), "hold"),
        row(
            "read-at-the-earliest-plausible-time",
            given(proven(last_read_at=OF_LONG_AGO), limits={"read_back_within": 99999 * DAY}),
        ),
        row(
            "read-before-it",
            given(proven(last_read_at=OF_LONG_AGO - MICROSECOND), limits={"read_back_within": 99999 * DAY}),
            "hold",
        ),
        row("never", given(proven(**UNREAD)), "hold"),
        row("never-two", given(NEWER._replace(**UNREAD), OLDER._replace(**UNREAD)), "hold"),
        row("never-beside-a-damaged-one", given(NEWER._replace(**DAMAGED), OLDER._replace(**UNREAD)), "hold"),
        row("cannot-be-read-any-more", given(proven(trouble="memory.bin: permission denied")), "hold"),
        row("never-but-an-older-one-was", given(OLDER, NEWER._replace(**UNREAD))),
        row("never-and-damaged", given(proven(**UNREAD, **DAMAGED))),
        row("never-and-another-arms", given(proven(**UNREAD, **TWIN))),
        row("never-and-gone", given(proven(**UNREAD, gone=True))),
        row("incomplete", given(proven(**INCOMPLETE))),
    )
    def test_boundary(self, of: Given, levels: list[Level]) -> None:
        expect("not-read-back", of, levels)

    def test_it_turns_a_microsecond_after_the_limit(self) -> None:
        answer = given(proven(last_read_at=NOW - 29 * DAY)).verdict
        assert (answer.holds_until, answer.then) == (NOW + DAY + MICROSECOND, "hold")


class TestUnsettledNewer:
    """caution: a newer set is still arriving or not yet read back."""

    @rows(
        "unsettled-newer",
        row("arriving", given(OLDER, NEWER._replace(**ARRIVING)), "caution"),
        row("cannot-be-read", given(OLDER, NEWER._replace(**ARRIVING, trouble="changed while read")), "caution"),
        row("unread", given(OLDER, NEWER._replace(**UNREAD)), "caution"),
        row("both", given(OLDER, NEWER._replace(**UNREAD), proven(**ARRIVING)), "caution", "caution"),
        row("as-old", given(proven(), at_the_same_time(**UNREAD)), "caution"),
        row("a-microsecond-older", given(proven(), a_moment_older(**UNREAD))),
        row("arriving-alone", given(proven(**ARRIVING)), "caution"),
        row("unread-alone", given(proven(**UNREAD))),
        row("unread-and-damaged", given(OLDER, NEWER._replace(**UNREAD, **DAMAGED))),
        row("unread-and-another-arms", given(OLDER, NEWER._replace(**UNREAD, **TWIN)), "caution"),
        row("unread-and-names-another-arm", given(OLDER, NEWER._replace(**UNREAD, **ANOTHER)), "caution"),
        row("read-and-another-arms", given(OLDER, NEWER._replace(**TWIN))),
        row("unread-and-another-arms-alone", given(proven(**UNREAD, **TWIN))),
        row("unread-another-arms-and-gone", given(OLDER, NEWER._replace(**UNREAD, **TWIN, gone=True))),
        row("unread-another-arms-and-damaged", given(OLDER, NEWER._replace(**UNREAD, **TWIN, **DAMAGED))),
        row("arriving-and-gone", given(OLDER, NEWER._replace(**ARRIVING, gone=True))),
    )
    def test_boundary(self, of: Given, levels: list[Level]) -> None:
        expect("unsettled-newer", of, levels)


class TestTooFewCopies:
    """caution (fewer further places than needed hold an identical set)."""

    @rows(
        "too-few-copies",
        row("one-more", given(proven(copies=3), limits={"copies_needed": 2})),
        row("as-needed", given(proven(copies=2), limits={"copies_needed": 2})),
        row("one-fewer", given(proven(copies=1), limits={"copies_needed": 2}), "caution"),
        row("none", given(proven(copies=0), limits={"copies_needed": 2}), "caution"),
        row("none-needed", given(proven(copies=0))),
        row("of-another-set", given(OLDER._replace(copies=2), NEWER, limits={"copies_needed": 2}), "caution"),
        row("no-set-carries", given(proven(**UNREAD), limits={"copies_needed": 2})),
    )
    def test_boundary(self, of: Given, levels: list[Level]) -> None:
        expect("too-few-copies", of, levels)


class TestWrongArm:
    """hold: equal in its arm-specific parts to a set of another arm, or an identity that is not the arm's."""

    @rows(
        "wrong-arm",
        row("twin", given(proven(**TWIN)), "hold"),
        row("twin-beside-a-proven-one", given(OLDER, NEWER._replace(**TWIN)), "hold"),
        row("twin-as-old", given(proven(), at_the_same_time(**TWIN)), "hold"),
        row("twin-a-microsecond-older", given(proven(), a_moment_older(**TWIN))),
        row("twin-and-gone", given(OLDER, NEWER._replace(**TWIN, gone=True))),
        row("twin-and-damaged", given(OLDER, NEWER._replace(**TWIN, **DAMAGED)), "hold"),
        row("two-twins", given(proven(twins=TWIN["twins"] * 2)), "hold", "hold"),
        row("names-another", given(proven(**ANOTHER)), "hold"),
        row("names-another-and-has-a-twin", given(proven(**ANOTHER, **TWIN)), "hold", "hold"),
        row("names-another-and-is-older", given(NEWER, OLDER._replace(**ANOTHER))),
        row("names-this-one", given(proven(identity=ARM.serial))),
        row("no-identity-in-the-recipe", given(proven(**ANOTHER), recipe=RECIPE._replace(identity=None))),
        row("no-serial-of-the-arm-known", given(proven(**ANOTHER), arm=ARM._replace(serial=""))),
    )
    def test_boundary(self, of: Given, levels: list[Level]) -> None:
        expect("wrong-arm", of, levels)

    def test_the_set_that_names_another_is_told_before_what_follows_from_it(self) -> None:
        found = given(OLDER._replace(**TWIN), NEWER._replace(**ANOTHER, **TWIN)).findings("wrong-arm")
        assert "part" not in found[0].evidence
        assert found[0].message.endswith(f"; arm-07 is {ARM.serial}.")


class TestRefiledCopy:
    """caution: a set whose every byte equals an older set of the same arm, volatile parts included."""

    @rows(
        "refiled-copy",
        row("later", given(OLDER, NEWER._replace(fingerprint=OLDER.fingerprint)), "caution"),
        row(
            "a-microsecond-later",
            given(a_moment_older(), proven(fingerprint=a_moment_older().fingerprint)),
            "caution",
        ),
        row("same-time", given(proven(), at_the_same_time(fingerprint=proven().fingerprint))),
        row(
            "same-members-under-a-later-stamp",
            given(
                OLDER,
                NEWER._replace(fingerprint=OLDER.fingerprint, newest_member=OLDER.newest_member),
            ),
            "caution",
        ),
        row(
            "original-gone", given(OLDER._replace(gone=True), NEWER._replace(fingerprint=OLDER.fingerprint)), "caution"
        ),
        row(
            "nothing-volatile",
            given(OLDER, NEWER._replace(fingerprint=OLDER.fingerprint), recipe=RECIPE._replace(volatile=())),
        ),
        row("one-byte-differs", given(OLDER, NEWER)),
        row(
            "presents-itself-as-newer-than-the-resting-one",
            given(proven(3 * DAY), OLDER, NEWER._replace(fingerprint=proven(3 * DAY).fingerprint)),
            "caution",
        ),
        row(
            "presents-itself-as-older-than-the-resting-one",
            given(proven(3 * DAY), OLDER._replace(fingerprint=proven(3 * DAY).fingerprint), NEWER),
        ),
    )
    def test_boundary(self, of: Given, levels: list[Level]) -> None:
        expect("refiled-copy", of, levels)


class TestClockDoubt:
    """caution: a stamp in the future is not believed."""

    SEEN_AT = proven().first_seen
    EARLIEST = datetime(2001, 1, 1, tzinfo=UTC)

    @rows(
        "clock-doubt",
        row("stamp-when-first-seen", given(proven(stamp=SEEN_AT))),
        row("stamp-a-microsecond-later", given(proven(stamp=SEEN_AT + MICROSECOND)), "caution"),
        row("stamp-at-the-earliest-plausible-time", given(proven(stamp=EARLIEST))),
        row("stamp-a-microsecond-earlier", given(proven(stamp=EARLIEST - MICROSECOND)), "caution"),
        row("no-stamp", given(proven(stamp=None))),
        row("seen-now", given(proven(first_seen=NOW))),
        row("seen-in-the-future", given(proven(first_seen=NOW + MICROSECOND)), "caution"),
        row("seen-in-the-future-without-a-stamp", given(proven(first_seen=NOW + HOUR, stamp=None)), "caution"),
        row("newer", given(OLDER, NEWER._replace(**ARRIVING, stamp=NOW + DAY)), "caution"),
        row("older", given(NEWER, OLDER._replace(stamp=NOW + DAY))),
    )
    def test_boundary(self, of: Given, levels: list[Level]) -> None:
        expect("clock-doubt", of, levels)


class TestMixedTimes:
    """Parts captured far apart (default 24 h) within one set."""

    NEWEST = proven().newest_member or NOW

    @rows(
        "mixed-times",
        row("a-microsecond-under", given(part(proven(), "image", newest=NEWEST - DAY + MICROSECOND))),
        row("at-the-limit", given(part(proven(), "image", newest=NEWEST - DAY))),
        row("a-microsecond-over", given(part(proven(), "image", newest=NEWEST - DAY - MICROSECOND)), "caution"),
        row("one-of-unknown-time", given(part(proven(), "image", newest=None))),
        row("no-parts", given(proven(parts=()))),
        row("newer", given(OLDER, part(NEWER._replace(**UNREAD), "image", newest=NOW - 9 * DAY)), "caution"),
        row("older", given(NEWER, part(OLDER, "image", newest=NOW - 9 * DAY))),
    )
    def test_boundary(self, of: Given, levels: list[Level]) -> None:
        expect("mixed-times", of, levels)


class TestAxisZeroMoved:
    """caution: axis-zero content that changed since the set before, with no `re-zeroed` mark between them."""

    BEFORE, SAVED = NOW - 30 * HOUR, NOW - 5 * HOUR
    MOVED = part(NEWER, "axis-zero", digest="moved")

    @rows(
        "axis-zero-moved",
        row("same", given(OLDER, NEWER)),
        row("moved", given(OLDER, MOVED), "caution"),
        row("re-zeroed-at-the-set-before", given(OLDER, MOVED, marks=(mark("re-zeroed", BEFORE),)), "caution"),
        row("re-zeroed-a-microsecond-later", given(OLDER, MOVED, marks=(mark("re-zeroed", BEFORE + MICROSECOND),))),
        row("re-zeroed-at-the-capture", given(OLDER, MOVED, marks=(mark("re-zeroed", SAVED),))),
        row("re-zeroed-after-it", given(OLDER, MOVED, marks=(mark("re-zeroed", SAVED + MICROSECOND),)), "caution"),
        row("another-mark-between", given(OLDER, MOVED, marks=(mark("restore-test", NOW - 9 * HOUR),)), "caution"),
        row("the-set-before-is-gone", given(OLDER._replace(gone=True), MOVED), "caution"),
        row("the-set-before-is-damaged", given(OLDER._replace(**DAMAGED), MOVED), "caution"),
        row("the-set-before-is-another-arms", given(OLDER._replace(**TWIN), MOVED)),
        row("the-set-before-was-not-read", given(OLDER._replace(**ARRIVING), MOVED)),
        row("the-set-before-lacks-it", given(part(OLDER, "axis-zero", files=0, digest=""), MOVED)),
        row("the-set-itself-lacks-it", given(OLDER, part(NEWER, "axis-zero", files=0, digest=""))),
        row(
            "one-between-lacks-it",
            given(proven(3 * DAY), part(OLDER, "axis-zero", files=0, digest=""), MOVED),
            "caution",
        ),
        row("half-of-it-between", given(proven(3 * DAY), part(OLDER, "axis-zero", ok=False, digest="half"), NEWER)),
        row("first-set", given(MOVED)),
        row("moved-and-back", given(proven(3 * DAY), part(OLDER, "axis-zero", digest="moved"), NEWER), "caution"),
        row("of-unknown-age", given(OLDER._replace(**UNDATED), MOVED, marks=(mark("re-zeroed", SAVED),)), "caution"),
    )
    def test_boundary(self, of: Given, levels: list[Level]) -> None:
        expect("axis-zero-moved", of, levels)


class TestShrunkSet:
    """A set much smaller than the one before (default 30 % fewer programs or bytes)."""

    TORN = OLDER._replace(**INCOMPLETE, bytes=80_000)

    @rows(
        "shrunk-set",
        row("programs-one-more-than-that", given(OLDER, part(NEWER, "programs", files=8))),
        row("programs-30-percent-fewer", given(OLDER, part(NEWER, "programs", files=7)), "caution"),
        row("no-programs", given(OLDER, part(NEWER, "programs", files=0)), "caution"),
        row("bytes-one-more-than-that", given(OLDER, NEWER._replace(bytes=70_001))),
        row("bytes-30-percent-fewer", given(OLDER, NEWER._replace(bytes=70_000)), "caution"),
        row("both", given(OLDER, part(NEWER._replace(bytes=9), "programs", files=1)), "caution"),
        row("larger", given(OLDER, NEWER._replace(bytes=900_000))),
        row("rule-off", given(OLDER, NEWER._replace(bytes=9), limits={"shrink_permille": 0})),
        row("could-not-be-read", given(OLDER, NEWER._replace(**INCOMPLETE | {"fingerprint": None, "bytes": 0}))),
        row("nothing-before", given(OLDER._replace(bytes=0), NEWER._replace(bytes=0))),
        row("the-set-before-is-gone", given(OLDER._replace(gone=True), NEWER._replace(bytes=9)), "caution"),
        row("a-torn-one-between", given(proven(3 * DAY), TORN, NEWER._replace(bytes=70_000)), "caution"),
        row("only-a-torn-one-before", given(TORN, NEWER._replace(bytes=9))),
        row("first-set", given(NEWER._replace(bytes=9))),
    )
    def test_boundary(self, of: Given, levels: list[Level]) -> None:
        expect("shrunk-set", of, levels)


class TestRestoreTestDue:
    """caution when `restore-test-within` is exceeded; "off" to leave out."""

    @rows(
        "restore-test-due",
        *(
            row(name, given(proven(), marks=(mark("restore-test", at),), limits=TESTS_DUE), *levels)
            for name, at, levels in (
                ("a-microsecond-under", NOW - 400 * DAY + MICROSECOND, ()),
                ("at-the-limit", NOW - 400 * DAY, ()),
                ("a-microsecond-over", NOW - 400 * DAY - MICROSECOND, ("caution",)),
                ("just-now", NOW, ()),
                ("in-the-future", NOW + MICROSECOND, ("caution",)),
            )
        ),
        row("never", given(proven(), limits=TESTS_DUE), "caution"),
        row("another-kind", given(proven(), marks=(mark("edit", NOW - DAY),), limits=TESTS_DUE), "caution"),
        row("off", given(proven())),
    )
    def test_boundary(self, of: Given, levels: list[Level]) -> None:
        expect("restore-test-due", of, levels)

    def test_it_turns_a_microsecond_after_the_limit(self) -> None:
        marks = (mark("restore-test", NOW - 399 * DAY),)
        answer = given(proven(), marks=marks, limits=TESTS_DUE).verdict
        assert (answer.level, answer.holds_until, answer.then) == ("clear", NOW + DAY + MICROSECOND, "caution")


class TestOddEntry:
    """caution: an entry that is no set, or a set's entry that is no plain file."""

    @rows(
        "odd-entry",
        row("in-the-set", given(proven(**ODD)), "caution"),
        row("in-a-newer-set", given(OLDER, NEWER._replace(**UNREAD, **ODD)), "caution"),
        row("in-an-older-set", given(NEWER, OLDER._replace(**ODD))),
        row("another-problem", given(proven(problems=(Problem("mixed-times", "…"),)))),
        row("none", given(proven())),
    )
    def test_boundary(self, of: Given, levels: list[Level]) -> None:
        expect("odd-entry", of, levels)

    def test_entries_beside_and_in_the_set_are_one_finding(self) -> None:
        (found,) = given(proven(**ODD), odd_entries=(("arm-07/2026-13-41", "no such day"),)).findings("odd-entry")
        assert found.message == "An entry does not belong: arm-07/2026-13-41 (no such day) and 1 more."
        assert found.remedy.startswith("Rename arm-07/2026-13-41 so that it fits the layout, ")
        assert found.evidence["count"] == 2

    def test_what_a_set_holds_is_not_renamed(self) -> None:
        (found,) = given(proven(**ODD)).findings("odd-entry")
        assert found.remedy == (
            f"Save a new backup of arm-07 without what does not belong in {proven().path}; leave that set as it is."
        )


class TestShare:
    """unknown: the share cannot be read, may be another, or was not looked at lately."""

    @rows(
        "share-offline",
        row("readable", given(proven())),
        row("unreadable", given(proven(), share={"unreadable": "input/output error"}), "unknown"),
    )
    def test_offline(self, of: Given, levels: list[Level]) -> None:
        expect("share-offline", of, levels)

    @rows(
        "share-doubt",
        row("right", given(proven())),
        row("another-shares-marker", given(proven(), share={"marker": "other"}), "unknown"),
        row("marker-gone", given(proven(), share={"marker": "gone"}), "unknown"),
        row("nearly-everything-vanished", given(proven(), share={"vanished": 1}), "unknown"),
        row("never-had-a-marker", given(proven(), share={"marker": "never"}), "caution"),
        row("never-had-a-marker-and-vanished", given(proven(), share={"marker": "never", "vanished": 9}), "unknown"),
        row("offline", given(proven(), share={"marker": "gone", "unreadable": "timed out"})),
    )
    def test_doubt(self, of: Given, levels: list[Level]) -> None:
        expect("share-doubt", of, levels)

    @rows(
        "share-unseen",
        row("a-microsecond-under", given(proven(), share={"seen_at": NOW - 26 * HOUR + MICROSECOND})),
        row("at-the-limit", given(proven(), share={"seen_at": NOW - 26 * HOUR})),
        row("a-microsecond-over", given(proven(), share={"seen_at": NOW - 26 * HOUR - MICROSECOND}), "unknown"),
        row("now", given(proven(), share={"seen_at": NOW})),
        row("in-the-future", given(proven(), share={"seen_at": NOW + MICROSECOND}), "unknown"),
        row("never", given(proven(), share={"seen_at": None}), "unknown"),
    )
    def test_unseen(self, of: Given, levels: list[Level]) -> None:
        expect("share-unseen", of, levels)

    def test_a_share_in_doubt_does_not_soften_a_hold(self) -> None:
        assert given(proven(8 * DAY), share={"marker": "gone"}).verdict.level == "hold"


class TestProof:
    """arriving → settled → complete → read-back → copied → restored; damaged is never forgotten."""

    TESTED = (mark("restore-test", NOW - HOUR, fingerprint=proven().fingerprint),)

    @pytest.mark.parametrize(
        ("of", "wanted"),
        [
            pytest.param(given(proven(**ARRIVING)), "arriving", id="arriving"),
            pytest.param(given(proven(**INCOMPLETE)), "settled", id="settled"),
            pytest.param(given(proven(files=0)), "settled", id="complete-without-a-file"),
            pytest.param(given(proven(**UNREAD)), "complete", id="complete"),
            pytest.param(given(proven(**UNREAD), marks=TESTED), "complete", id="restored-but-never-read-back"),
            pytest.param(given(proven(last_read_at=NOW - 30 * DAY)), "read-back", id="read-back-at-the-limit"),
            pytest.param(given(proven(last_read_at=NOW - 30 * DAY - MICROSECOND)), "complete", id="read-back-too-old"),
            pytest.param(given(proven(last_read_at=NOW + MICROSECOND)), "complete", id="read-back-in-the-future"),
            pytest.param(given(proven(copies=9)), "read-back", id="copies-nobody-asked-for"),
            pytest.param(given(proven(copies=1), limits={"copies_needed": 2}), "read-back", id="one-copy-too-few"),
            pytest.param(given(proven(copies=2), limits={"copies_needed": 2}), "copied", id="copied"),
            pytest.param(given(proven(), marks=TESTED), "restored", id="restored"),
            pytest.param(given(proven(), marks=(mark("restore-test", NOW),)), "read-back", id="restored-some-set"),
            pytest.param(
                given(proven(), marks=(TESTED[0]._replace(at=NOW + MICROSECOND),)), "read-back", id="restored-in-future"
            ),
            pytest.param(given(proven(**DAMAGED), marks=TESTED), "damaged", id="damaged"),
            pytest.param(given(proven(**CHANGED)), "damaged", id="changed-now"),
        ],
    )
    def test_steps(self, of: Given, wanted: Proof) -> None:
        assert proof(of.facts.sets[0], of.facts) == wanted
