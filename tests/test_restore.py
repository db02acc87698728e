"""Which set would be restored: the newest that may be, why others may not, and what would be lost with it."""

from __future__ import annotations

from typing import Any

import pytest
from hypothesis import given as drawn
from hypothesis import strategies as st

from guard.clock import now
from guard.lapses import Compared, PartDifference
from guard.model import BackupSet, Problem, Twin
from guard.rules.restore import Choice, choose
from guard.rules.standing import standing
from tests.facts import DAY, HOUR, MICROSECOND, NOW, given, mark, proven, window
from tests.plant import Plant, content

YESTERDAY = str((now() - DAY).date())
"""No set of the last hours was saved before that day, and one of three days ago was."""

OLD, NEW = proven(3 * DAY), proven(HOUR)


def path(choice: Choice) -> str | None:
    return choice.chosen.set.path if choice.chosen else None


def test_the_newest_that_may_be_restored_is_chosen() -> None:
    choice = choose(given(OLD, NEW).facts)

    assert (path(choice), choice.newer, choice.edits, choice.doubt) == (NEW.path, (), (), None)


HINDERED: list[Any] = [
    pytest.param({"gone": True}, "gone", "it is no longer on the share", id="gone"),
    pytest.param({"damaged_at": NOW, "damage": "memory.bin differs"}, "damaged-set", "it is damaged: memory.bin differs", id="damaged"),
    pytest.param({"damaged_at": NOW}, "damaged-set", "it is damaged: it differs from what was read", id="damaged-untold"),
    pytest.param({"changed": "a.txt is missing"}, "damaged-set", "it is damaged: a.txt is missing", id="changed-since"),
    pytest.param({"identity": "RC-0971"}, "wrong-arm", "it is another controller's: it names RC-0971, and arm-07 is RC-0771", id="identity"),
    pytest.param({"twins": (Twin("arm-09", "arm-09/x", "image"),)}, "wrong-arm", "its image is the same as in arm-09/x, a set of arm-09", id="twin"),
    pytest.param({"checked": None}, "arriving", "it is still arriving or was not looked at yet", id="arriving"),
    pytest.param({"checked": False, "problems": (Problem("odd-entry", "x"), Problem("incomplete-set", "no image"))}, "incomplete-set", "it is not complete: no image", id="incomplete"),
    pytest.param({"files": 0}, "incomplete-set", "it is not complete: no file of it was read", id="empty"),
    pytest.param({"fingerprint": None}, "incomplete-set", "it is not complete: no file of it was read", id="no-fingerprint"),
    pytest.param({"last_read_at": None}, "not-read-back", "it was never read back", id="never-read-back"),
]  # fmt: skip


class TestASetThatMustNotBeRestored:
    @pytest.mark.parametrize(("changes", "code", "what"), HINDERED)
    def test_is_passed_over_for_an_older_one_and_told(self, changes: dict[str, Any], code: str, what: str) -> None:
        bad = NEW._replace(**changes)
        choice = choose(given(OLD, bad).facts)

        assert path(choice) == OLD.path
        assert [(each.path, each.why) for each in choice.newer] == [(bad.path, what)]
        assert code

    @pytest.mark.parametrize(("changes", "code", "what"), HINDERED)
    def test_is_refused_by_its_name(self, changes: dict[str, Any], code: str, what: str) -> None:
        bad = NEW._replace(**changes)
        choice = choose(given(OLD, bad).facts, named=bad.path)

        assert choice.chosen is None
        assert choice.hindrance is not None
        assert (choice.hindrance.code, choice.hindrance.what) == (code, what)

    @pytest.mark.parametrize(("changes", "code", "what"), HINDERED)
    def test_alone_leaves_nothing_to_restore(self, changes: dict[str, Any], code: str, what: str) -> None:
        choice = choose(given(NEW._replace(**changes)).facts)

        assert (choice.chosen, code, what) == (None, code, what)


class TestBefore:
    """Saved before a moment: a set that was saved in that very moment is not."""

    @pytest.mark.parametrize(
        ("before", "expected"),
        [
            pytest.param(NOW - HOUR, OLD.path, id="at-the-moment"),
            pytest.param(NOW - HOUR + MICROSECOND, NEW.path, id="one-later"),
            pytest.param(NOW - 3 * DAY, None, id="at-the-older-ones"),
            pytest.param(NOW - 3 * DAY + MICROSECOND, OLD.path, id="one-later-than-the-older-ones"),
        ],
    )
    def test_from_both_sides(self, before: Any, expected: str | None) -> None:
        assert path(choose(given(OLD, NEW).facts, before)) == expected

    def test_what_is_left_out_is_told(self) -> None:
        choice = choose(given(OLD, NEW).facts, NOW - DAY)

        assert [(each.path, each.why) for each in choice.newer] == [
            (NEW.path, "it was not saved before the time asked for")
        ]

    def test_a_set_of_unknown_age_was_saved_before_nothing(self) -> None:
        future = NOW + DAY
        undated = NEW._replace(stamp=None, newest_member=None, first_seen=future, last_read_at=NOW)
        facts = given(undated).facts

        assert (path(choose(facts)), choose(facts, NOW + 2 * DAY).chosen) == (undated.path, None)


class TestWhatWouldBeLost:
    def test_edits_marked_after_the_set_was_saved(self) -> None:
        before, at, after = (mark("edit", NOW - HOUR + step * MICROSECOND, by="Ana") for step in (-1, 0, 1))

        assert choose(given(NEW, marks=(after, before, at)).facts).edits == (after,)

    def test_other_marks_are_no_edits(self) -> None:
        assert choose(given(NEW, marks=(mark("re-zeroed", NOW),)).facts).edits == ()

    def test_every_edit_where_the_age_is_not_known(self) -> None:
        undated = NEW._replace(stamp=None, newest_member=None, first_seen=NOW + DAY, last_read_at=NOW)

        assert len(choose(given(undated, marks=(mark("edit", NOW - 900 * DAY),)).facts).edits) == 1

    def test_a_newer_set_of_the_same_content_is_no_loss(self) -> None:
        copy = NEW._replace(fingerprint=OLD.fingerprint, last_read_at=None)

        assert choose(given(OLD, copy).facts, named=OLD.path).newer == ()

    def test_older_sets_are_no_loss(self) -> None:
        assert choose(given(OLD._replace(damaged_at=NOW), NEW).facts).newer == ()


ENDED = NOW - 2 * HOUR
CHANGE = window(HOUR, began_at=ENDED - HOUR / 2, ended_at=ENDED, rests_on=OLD.path, fingerprint=OLD.fingerprint)


def compared(*parts: str) -> Compared:
    """How the new set differs from the old one: in these parts."""
    assert OLD.fingerprint
    assert NEW.fingerprint
    return Compared(OLD.fingerprint, NEW.fingerprint, tuple(PartDifference(part, 0, 0, 1, ("x",)) for part in parts))


class TestAfterAChangeOfTheMemoryCell:
    """A set from after it holds what it left of the memory."""

    def test_where_the_memory_differs_the_newest_from_before_is_chosen(self) -> None:
        choice = choose(given(OLD, NEW, window=CHANGE, compared=(compared("image"),)).facts)

        assert (path(choice), choice.lapse) == (OLD.path, None)
        assert choice.differs is not None
        assert [(each.path, each.why) for each in choice.newer] == [
            (NEW.path, "it came after a change of the memory cell, and the memory was not what it had been")
        ]

    @pytest.mark.parametrize(
        ("seen", "expected"),
        [
            pytest.param(CHANGE.began_at, "arm-07/middle", id="seen-when-it-began"),
            pytest.param(CHANGE.began_at + MICROSECOND, OLD.path, id="seen-later"),
        ],
    )
    def test_a_set_is_from_before_it_where_it_was_saved_and_seen_by_then(self, seen: Any, expected: str) -> None:
        middle = proven(path="arm-07/middle")._replace(stamp=CHANGE.began_at, newest_member=None, first_seen=seen)

        assert path(choose(given(OLD, middle, NEW, window=CHANGE, compared=(compared("image"),)).facts)) == expected

    def test_where_none_from_before_is_left_none_is_chosen(self) -> None:
        facts = given(OLD._replace(damaged_at=NOW), NEW, window=CHANGE, compared=(compared("image"),)).facts

        assert choose(facts).chosen is None
        assert path(choose(facts, named=NEW.path)) == NEW.path

    def test_where_one_from_after_is_asked_for_it_is_told_that_nothing_is_proven(self) -> None:
        facts = given(OLD, NEW, window=CHANGE, compared=(compared("image"),)).facts
        for choice in (choose(facts, named=NEW.path), choose(facts, NOW)):
            assert (path(choice), choice.differs) == (NEW.path, None)
            assert choice.lapse is not None
            assert choice.lapse.before == OLD.path

    def test_where_the_memory_is_what_it_was_the_newest_is_chosen(self) -> None:
        choice = choose(given(OLD, NEW, window=CHANGE, compared=(compared(),)).facts)

        assert (path(choice), choice.differs, choice.lapse) == (NEW.path, None, None)

    def test_where_nothing_is_compared_yet_it_is_told(self) -> None:
        choice = choose(given(OLD, NEW, window=CHANGE).facts)

        assert (path(choice), choice.differs) == (NEW.path, None)
        assert choice.lapse is not None


@pytest.mark.parametrize(
    ("share", "doubt"),
    [
        ({"marker": "right"}, None),
        ({"marker": "never"}, None),
        ({"unreadable": "it is not mounted"}, "The share cannot be read: it is not mounted. Bring the share back, then ask again."),
        ({"marker": "gone"}, "The share had a marker and has none now"),
        ({"marker": "other"}, "The marker on the share is another share's."),
        ({"vanished": 9}, "Nearly everything vanished at once: 9 sets"),
        ({"seen_at": NOW - 26 * HOUR}, None),
        ({"seen_at": NOW - 26 * HOUR - MICROSECOND}, "The share was last looked at 1 d 2 h ago; 1 d 2 h is allowed."),
        ({"seen_at": NOW + HOUR}, "When the share was last looked at cannot be believed"),
    ],
)  # fmt: skip
def test_a_share_in_doubt_is_told(share: dict[str, Any], doubt: str | None) -> None:
    found = choose(given(NEW, share=share).facts).doubt

    assert found is None if doubt is None else found is not None and found.startswith(doubt)


SETS = st.lists(
    st.builds(
        lambda days, changes: proven(days * DAY, **changes),
        st.integers(0, 40),
        st.sampled_from([{}, {}, *(param.values[0] for param in HINDERED)]),
    ),
    max_size=6,
    unique_by=lambda backup: backup.path,
)


@drawn(SETS, st.none() | st.integers(0, 41), st.randoms())
def test_laws(sets: list[BackupSet], days: int | None, random: Any) -> None:
    before = None if days is None else NOW - days * DAY
    facts = given(*sets).facts
    choice = choose(facts, before)
    random.shuffle(sets)

    assert path(choose(given(*sets).facts, before)) == path(choice)  # the order of the facts says nothing
    if choice.chosen is None:
        return
    backup, captured = choice.chosen.set, choice.chosen.captured_at
    found = (backup.checked, backup.gone, backup.last_read_at is None, backup.damaged_at, backup.twins)
    assert found == (True, False, False, None, ())
    assert captured is not None
    assert before is None or captured < before
    assert all(each.captured_at is None or each.captured_at > captured for each in choice.newer)
    if before is None:  # it is the one that answers rest on
        resting = standing(facts).resting
        assert resting is not None
        assert resting.set == backup


class TestAsked:
    def test_the_set_the_reason_and_the_loss(self, plant: Plant) -> None:
        old, new = plant.save("arm-07", 3 * DAY), plant.save("arm-07", 6 * HOUR)
        plant.ready()
        plant.run("mark", "edit", "arm-07", "--by", "R. Osei", "--note", "seam 4", "--at", "2h ago")
        done = plant.run("ask", "which set would be restored on arm 7")
        before = plant.run("ask", f"which set would be restored on arm 7 before {YESTERDAY}", "--json")

        assert done.code == 0
        lines = done.out.splitlines()
        assert lines[0] == "Understood: which set would be restored, arm-07."
        assert lines[1] == f"{new} would be restored on arm-07."
        assert (
            "It is the newest set of arm-07 that is complete, read back, and neither damaged nor another arm's."
            in done.out
        )
        assert "The edit by R. Osei marked " in done.out
        assert ": seam 4" in done.out
        assert "lockout/tagout" in done.out
        assert before.code == 0
        assert before.answer["set"]["path"] == old
        assert [each["path"] for each in before.answer["newer"]] == [new]
        assert before.json["schema"] == 1
        assert before.json["about"] == "restore"

    def test_the_set_from_before_a_power_down_after_which_the_memory_differs(self, plant: Plant) -> None:
        before = plant.save("arm-07", 6 * HOUR)
        lost = content("arm-07", "later") | {"axis-zero.csv": b"axis,count\n1,0\n2,0\n"}
        after = plant.save("arm-07", HOUR, files=lost)
        plant.ready()
        plant.run("mark", "powered-off", "arm-07", "--at", "4h ago")
        plant.run("mark", "powered-on", "arm-07", "--at", "3h ago")
        done = plant.run("ask", "which set would be restored on arm 7")
        named = plant.run("carry", "arm-07", str(plant.root), "--set", after)

        assert done.code == 0
        assert f"{before} would be restored on arm-07." in done.out
        assert "the memory was not what it had been. It is the newest set from before" in done.out
        assert f"What was new in {after}, saved " in done.out
        assert "NOTICE: This set came after a power-down that began " in named.out
        assert f"guard carry arm-07 DEST --set {before}" in named.out

    def test_a_file_that_changed_on_the_share_is_seen_before_the_answer(self, plant: Plant) -> None:
        old, new = plant.save("arm-07", 3 * DAY), plant.save("arm-07", 6 * HOUR)
        plant.ready()
        (plant.share / old / "memory.bin").unlink()
        done = plant.run("ask", f"which set would be restored on arm 7 before {YESTERDAY}", "--json")

        assert (done.code, done.answer["set"]) == (20, None)
        assert {each["path"] for each in done.answer["newer"]} == {old, new}

    def test_no_set_is_a_hold_and_an_offline_share_unknown(self, plant: Plant) -> None:
        plant.save("arm-07")
        plant.init()
        plant.look()
        none = plant.run("ask", "which set would be restored on arms 7 and 9", "--json")
        plant.prove()
        plant.share.rename(plant.root / "elsewhere")
        offline = plant.run("ask", "which set would be restored on arm 7", "--json")

        assert (none.code, [each["set"] for each in none.json["answers"]]) == (20, [None, None])
        assert (offline.code, offline.answer["doubt"][:26]) == (30, "The share cannot be read: ")

    def test_how_long_is_left_is_what_swap_show_says(self, plant: Plant) -> None:
        plant.save("arm-07")
        plant.ready()
        none = plant.run("ask", "how long has arm 7 got")
        plant.run("mark", "powered-on", "arm-07", "--at", "yesterday 00:00")
        begun = plant.run("swap", "begin", "arm-07", "--yes")
        asked, shown = (
            plant.run("ask", "how long has arm 7 got", "--json"),
            plant.run("swap", "show", "arm-07", "--json"),
        )
        any_arm = plant.run("ask", "how long has the window got")

        assert (none.code, none.out.splitlines()[0]) == (0, "Understood: how long is left of the swap window, arm-07.")
        assert "NONE: no memory cell of arm-07 is out" in none.out
        assert begun.code == 0
        assert (asked.code, shown.code, any_arm.code) == (20, 20, 20)
        clock = ("elapsed_s", "left_s")
        for each in (told := asked.answer, same := {k: v for k, v in shown.json.items() if k != "schema"}):
            assert all(each.pop(key) > 0 for key in clock)
        assert told == same
        assert any_arm.out.splitlines()[0].endswith("every arm whose memory cell is out.")
        assert "OPEN: " in any_arm.out
