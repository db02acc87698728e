"""Is the memory what it was, after a change of its cell and after a marked power-down: by sets from before and after."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from typing import Any

import pytest

from guard.lapses import Compared, Lapse, PartDifference, Proofs, Settled
from guard.model import Action, BackupSet, Level, Mark, Powered, SpareCells
from guard.plant import CellType
from guard.rules.lapses import accounts, state, to_compare
from guard.rules.standing import standing
from tests.facts import (
    DAY,
    HOUR,
    MEMORY_CELL,
    MICROSECOND,
    NOW,
    RECIPE,
    Given,
    given,
    mark,
    proven,
    sign_off,
    window,
)

MINUTE = timedelta(minutes=1)
BEFORE = proven(3 * HOUR, path="arm-07/before")
AFTER = proven(30 * MINUTE, path="arm-07/after")
LATER = proven(10 * MINUTE, path="arm-07/later")
ENDED = NOW - HOUR
SWAPPED = window(
    10 * MINUTE, began_at=ENDED - 10 * MINUTE, ended_at=ENDED, rests_on=BEFORE.path, fingerprint=BEFORE.fingerprint
)
OFF, ON = mark("powered-off", NOW - 2 * HOUR), mark("powered-on", ENDED)

ZERO = PartDifference("axis-zero", 0, 0, 1, ("axis-zero.csv",))
PROGRAMS = PartDifference("programs", 0, 1, 0, ("programs/weld.txt",))


def compared(after: BackupSet, *parts: PartDifference, before: BackupSet = BEFORE) -> Compared:
    assert before.fingerprint is not None
    assert after.fingerprint is not None
    return Compared(before.fingerprint, after.fingerprint, parts)


def swapped(*sets: BackupSet, told: tuple[Compared, ...] = (), **changes: Any) -> Given:
    """After a change of the memory cell that ended an hour ago."""
    return given(BEFORE, *sets, window=SWAPPED, compared=told, **changes)


def powered_down(*sets: BackupSet, told: tuple[Compared, ...] = (), marks: tuple[Mark, ...] = (), **more: Any) -> Given:
    """After a marked power-down that ended an hour ago."""
    return given(*sets, marks=(OFF, ON, *marks), compared=told, **more)


def checked(of: BackupSet, at: timedelta = timedelta(), by: str = "Ana") -> Mark:
    return mark("memory-checked", NOW - at, by=by, note="looked it through", fingerprint=of.fingerprint)


def levels(of: Given) -> dict[str, list[Level]]:
    """The levels of what is found about the memory; every finding of it says what to do."""
    found = {code: of.findings(code) for code in ("awaiting-proof", "memory-differs")}
    assert all(each.evidence and each.remedy and "arm-07" in each.message for all_ in found.values() for each in all_)
    return {code: [each.level for each in all_] for code, all_ in found.items() if all_}


AWAITS, DIFFERS = {"awaiting-proof": ["hold"]}, {"memory-differs": ["hold"]}
EQUAL = (compared(AFTER), compared(LATER))
COPY = compared(AFTER)._replace(is_new=False)


@pytest.mark.parametrize(
    ("action", "level"),
    [("power-down", "hold"), ("memory-swap", "hold"), ("position-swap", "caution"), ("service-visit", "caution")],
)
@pytest.mark.parametrize("of", [swapped(), powered_down(BEFORE)], ids=["swap", "power-down"])
def test_until_it_is_proven_the_level_depends_on_the_action(of: Given, action: Action, level: Level) -> None:
    assert levels(Given(of.facts, of.question._replace(action=action))) == {"awaiting-proof": [level]}


@pytest.mark.parametrize(
    ("of", "expected"),
    [
        pytest.param(swapped(), AWAITS, id="no-set-since"),
        pytest.param(swapped(AFTER, told=EQUAL), {}, id="equal"),
        pytest.param(swapped(AFTER), AWAITS, id="not-compared"),
        pytest.param(swapped(AFTER, told=(COPY,)), AWAITS, id="nothing-in-it-is-new"),
        pytest.param(swapped(AFTER, LATER, told=(COPY, EQUAL[1])), {}, id="a-copy-and-then-another-save"),
        pytest.param(
            swapped(AFTER, LATER, told=(COPY, compared(LATER, PROGRAMS))), DIFFERS, id="a-copy-and-then-a-difference"
        ),
        pytest.param(swapped(AFTER, told=(COPY,), marks=(checked(AFTER),)), {}, id="a-person-says-that-it-is-no-copy"),
        pytest.param(swapped(AFTER, told=(compared(AFTER, PROGRAMS),)), DIFFERS, id="differs"),
        pytest.param(swapped(AFTER._replace(fingerprint=BEFORE.fingerprint)), AWAITS, id="the-old-one-filed-again"),
        pytest.param(
            swapped(AFTER._replace(fingerprint=BEFORE.fingerprint), recipe=RECIPE._replace(volatile=())),
            {},
            id="equal-in-every-byte-where-no-file-is-volatile",
        ),
        pytest.param(
            given(AFTER._replace(path=BEFORE.path, fingerprint=BEFORE.fingerprint), window=SWAPPED),
            AWAITS,
            id="the-one-from-before-itself-with-another-time",
        ),
        pytest.param(swapped(AFTER._replace(last_read_at=None), told=EQUAL), AWAITS, id="equal-and-not-read-back"),
        pytest.param(swapped(AFTER._replace(damaged_at=NOW), told=EQUAL), AWAITS, id="equal-and-damaged"),
        pytest.param(swapped(AFTER._replace(gone=True), told=EQUAL), AWAITS, id="equal-and-gone"),
        pytest.param(
            swapped(AFTER._replace(last_read_at=None), told=(compared(AFTER, PROGRAMS),)),
            DIFFERS,
            id="differs-and-not-read-back",
        ),
        pytest.param(
            swapped(AFTER._replace(damaged_at=NOW), told=(compared(AFTER, PROGRAMS),)),
            DIFFERS,
            id="differs-and-damaged",
        ),
        pytest.param(
            swapped(AFTER._replace(checked=False), told=(compared(AFTER, PROGRAMS),)), AWAITS, id="an-incomplete-save"
        ),
        pytest.param(
            swapped(AFTER, LATER, told=(compared(AFTER, PROGRAMS), compared(LATER))), {}, id="lost-then-restored"
        ),
        pytest.param(
            swapped(AFTER, LATER._replace(last_read_at=None), told=(compared(AFTER, PROGRAMS), compared(LATER))),
            DIFFERS,
            id="restored-and-not-read-back-yet",
        ),
        pytest.param(
            swapped(AFTER, LATER, told=(compared(AFTER), compared(LATER, PROGRAMS))), {}, id="equal-then-edited"
        ),
        pytest.param(
            swapped(AFTER._replace(stamp=None, newest_member=None, first_seen=NOW + HOUR), told=EQUAL),
            AWAITS,
            id="of-an-unknown-age",
        ),
        pytest.param(swapped(AFTER._replace(stamp=ENDED), told=EQUAL), AWAITS, id="saved-at-the-end"),
        pytest.param(swapped(AFTER._replace(stamp=ENDED + MICROSECOND), told=EQUAL), {}, id="saved-a-moment-after"),
        pytest.param(powered_down(BEFORE), AWAITS, id="power-down-no-set-since"),
        pytest.param(powered_down(BEFORE, AFTER, told=EQUAL), {}, id="power-down-equal"),
        pytest.param(powered_down(BEFORE, AFTER, told=(compared(AFTER, ZERO),)), DIFFERS, id="power-down-differs"),
        pytest.param(powered_down(AFTER), {}, id="power-down-and-nothing-known-of-before"),
        pytest.param(powered_down(BEFORE, AFTER), AWAITS, id="power-down-not-compared"),
        pytest.param(powered_down(), AWAITS, id="power-down-no-set-at-all"),
    ],
)
def test_what_settles_it(of: Given, expected: dict[str, list[Level]]) -> None:
    assert levels(of) == expected
    assert state(of.facts) == ("awaiting-proof" if expected else "none")


class TestPowerDown:
    def test_while_nobody_marked_the_power_to_be_back_nothing_settles_it(self) -> None:
        of = given(BEFORE, AFTER, marks=(OFF,), compared=EQUAL)
        (found,) = of.findings("awaiting-proof")
        assert found.message == (
            "arm-07 was powered down 2 h ago, as was marked, and nobody marked that its power is back: nobody knows yet"
            " whether its memory is whole."
        )
        assert found.remedy.startswith("Once arm-07 is on, run: guard mark powered-on arm-07 --at WHEN.")

    @pytest.mark.parametrize("at", [NOW + MICROSECOND, NOW + 400 * DAY, datetime(1980, 1, 1, tzinfo=UTC)], ids=str)
    def test_one_marked_by_a_clock_that_was_wrong_awaits_proof_until_it_is_corrected(self, at: datetime) -> None:
        of = given(BEFORE, AFTER, marks=(mark("powered-off", at), mark("powered-on", at + HOUR)), compared=EQUAL)
        assert levels(of) == AWAITS
        (found,) = of.findings("awaiting-proof")
        assert found.message.startswith("arm-07 was marked powered-off at a time that cannot be: a clock was wrong")
        assert "guard mark --correct N --at WHEN" in found.remedy
        assert levels(given(BEFORE, AFTER, marks=(OFF, ON), compared=EQUAL)) == {}

    def test_of_this_very_moment_it_is_believed(self) -> None:
        (found,) = given(BEFORE, AFTER, marks=(mark("powered-off", NOW),), compared=EQUAL).findings("awaiting-proof")
        assert found.message.startswith("arm-07 was powered down 0 s ago, as was marked")

    def test_the_answers_of_its_controller_tell_that_it_is_back(self) -> None:
        back = Powered(on=True, since=ENDED, source="its controller answers")
        assert levels(given(BEFORE, AFTER, marks=(OFF,), compared=EQUAL, powered=back)) == {}
        earlier = back._replace(since=OFF.at)
        assert levels(given(BEFORE, AFTER, marks=(OFF,), compared=EQUAL, powered=earlier)) == AWAITS

    def test_the_set_from_before_is_the_newest_complete_one(self) -> None:
        half = proven(150 * MINUTE, path="arm-07/half", checked=False)
        of = powered_down(proven(9 * HOUR), BEFORE, half, AFTER)
        (account,) = accounts(standing(of.facts))
        assert account.lapse == Lapse("power-down", OFF.at, ENDED, BEFORE.path, BEFORE.fingerprint)

    def test_a_set_that_was_seen_by_then_goes_before_one_that_may_be_from_after_it(self) -> None:
        day_only = AFTER._replace(stamp=NOW.replace(hour=0))
        for sets, before in (((BEFORE, day_only), BEFORE), ((day_only,), day_only)):
            (account,) = accounts(standing(powered_down(*sets).facts))
            assert account.lapse.before == before.path

    @pytest.mark.parametrize("age", [2 * HOUR, 2 * HOUR - MICROSECOND], ids=["at-that-moment", "a-moment-after"])
    def test_boundary_of_before(self, age: timedelta) -> None:
        (account,) = accounts(standing(powered_down(proven(age, path="arm-07/x")).facts))
        assert account.lapse.before == ("arm-07/x" if age == 2 * HOUR else None)

    def test_a_set_that_was_damaged_or_went_since_still_tells_what_it_held(self) -> None:
        for changes in ({"damaged_at": NOW}, {"gone": True}):
            of = powered_down(BEFORE._replace(**changes), AFTER, told=(compared(AFTER, ZERO),))
            assert levels(of) == DIFFERS

    def test_one_that_was_off_twice_in_a_row_was_off_since_the_first_time(self) -> None:
        of = given(BEFORE, marks=(OFF, mark("powered-off", OFF.at + MINUTE), ON))
        assert [each.lapse.began_at for each in accounts(standing(of.facts))] == [OFF.at]

    @pytest.mark.parametrize("lost", [True, False])
    def test_one_that_was_saved_between_was_on_though_nobody_marked_it(self, *, lost: bool) -> None:
        """What was taught in between and is gone since was not in the set from before the first time."""
        between = proven(150 * MINUTE, path="arm-07/between")
        told = (compared(AFTER), compared(AFTER, *((PROGRAMS,) if lost else ()), before=between))
        of = given(BEFORE, between, AFTER, marks=(mark("powered-off", NOW - 170 * MINUTE), OFF, ON), compared=told)
        assert levels(of) == (DIFFERS if lost else {})

    def test_of_those_with_no_set_between_them_the_last_one_stands_for_all(self) -> None:
        marks = [
            mark(kind, NOW - (days + part) * DAY)
            for days in range(9)
            for kind, part in (("powered-off", 0.7), ("powered-on", 0.2))
        ]
        for sets in ((), (proven(20 * DAY),)):
            (account,) = accounts(standing(given(*sets, marks=tuple(marks)).facts))
            assert account.lapse.began_at == NOW - 0.7 * DAY

    @pytest.mark.parametrize("lost", [True, False])
    def test_an_earlier_one_is_not_forgotten_for_what_was_saved_after_it(self, *, lost: bool) -> None:
        """The memory was lost over the first of three, and what was left of it was saved and kept since."""
        marks = [mark(kind, NOW - hours * HOUR) for hours in (11, 8, 5) for kind in ("powered-off",)]
        marks += [mark("powered-on", NOW - hours * HOUR) for hours in (10, 7, 4)]
        whole = proven(12 * HOUR, path="arm-07/whole")
        first, second, third = (proven(hours * HOUR, path=f"arm-07/{hours}") for hours in (9, 6, 3))
        equal = [compared(after, before=before) for before, after in ((first, second), (first, third), (second, third))]
        differing = [compared(each, *((PROGRAMS,) if lost else ()), before=whole) for each in (first, second, third)]
        of = given(whole, first, second, third, marks=tuple(marks), compared=(*equal, *differing))
        assert levels(of) == (DIFFERS if lost else {})
        settled = Proofs(settled=(Settled("power-down", NOW - 11 * HOUR, NOW - 10 * HOUR),))
        assert levels(Given(of.facts._replace(proofs=settled), of.question)) == {}

    @pytest.mark.parametrize("back", [None, NOW - 20 * MINUTE], ids=["off-still", "on-again"])
    @pytest.mark.parametrize(
        ("sets", "told", "expected"),
        [
            pytest.param((AFTER,), (compared(AFTER, PROGRAMS),), {**AWAITS, **DIFFERS}, id="it-differs"),
            pytest.param((AFTER,), (compared(AFTER),), AWAITS, id="it-is-what-it-was"),
            pytest.param((), (), AWAITS, id="nothing-was-saved"),
        ],
    )
    def test_what_was_saved_while_the_next_one_was_said_to_last_tells_of_the_one_before(
        self, sets: Any, told: Any, expected: dict[str, list[Level]], back: datetime | None
    ) -> None:
        """An arm that was saved was on, whatever is marked."""
        marks = (mark("powered-off", NOW - 40 * MINUTE), *((mark("powered-on", back),) if back else ()))
        assert levels(powered_down(BEFORE, *sets, told=told, marks=marks)) == expected

    @pytest.mark.parametrize(
        ("before", "expected"),
        [
            pytest.param(BEFORE._replace(gone=True, checked=False), AWAITS, id="gone-and-judged-by-another-recipe"),
            pytest.param(BEFORE._replace(damaged_at=NOW, checked=False), AWAITS, id="damaged-and-never-read-whole"),
            pytest.param(BEFORE._replace(checked=False), AWAITS, id="incomplete"),
            pytest.param(BEFORE._replace(checked=None, fingerprint=None), AWAITS, id="not-read-yet"),
            pytest.param(BEFORE._replace(checked=None, fingerprint=None, gone=True), {}, id="gone-and-never-read"),
            pytest.param(BEFORE._replace(identity="RC-9999"), {}, id="another-arms"),
        ],
    )
    def test_what_was_there_before_and_tells_nothing_now_is_not_nothing(
        self, before: BackupSet, expected: dict[str, list[Level]]
    ) -> None:
        of = powered_down(before, AFTER)
        assert levels(of) == expected
        assert levels(powered_down(before, AFTER, marks=(checked(AFTER),))) == {}
        for found in of.findings("awaiting-proof"):
            assert "No complete set from before it is known" in found.message

    def test_while_the_cell_is_out_the_window_says_what_counts(self) -> None:
        of = powered_down(BEFORE, window=window(MINUTE))
        assert levels(of) == {}
        assert [found.code for found in of.verdict.findings if found.level == "hold"] == ["window-open"]


class TestChecked:
    """A named person answers for good for the content of one set that came after the lapse."""

    DIFFERING = (compared(AFTER, PROGRAMS),)

    @pytest.mark.parametrize(
        ("marks", "expected"),
        [
            pytest.param((checked(AFTER),), {}, id="checked"),
            pytest.param((checked(AFTER, by=""),), DIFFERS, id="by-nobody"),
            pytest.param((checked(BEFORE),), DIFFERS, id="another-set"),
            pytest.param((checked(AFTER, HOUR),), DIFFERS, id="at-the-end-of-the-lapse"),
            pytest.param((checked(AFTER, -MICROSECOND),), DIFFERS, id="by-a-clock-that-was-ahead"),
            pytest.param((mark("edit", NOW - 40 * MINUTE, by="Ana"),), DIFFERS, id="an-edit-explains-nothing"),
            pytest.param((mark("re-zeroed", NOW - 40 * MINUTE, by="Ana"),), DIFFERS, id="a-re-zeroing-alone-neither"),
        ],
    )
    def test_programs(self, marks: tuple[Mark, ...], expected: dict[str, list[Level]]) -> None:
        assert levels(swapped(AFTER, told=self.DIFFERING, marks=marks)) == expected

    @pytest.mark.parametrize(
        ("re_zeroed", "expected"),
        [
            pytest.param(None, DIFFERS, id="not-re-zeroed"),
            pytest.param(NOW - 40 * MINUTE, {}, id="since"),
            pytest.param(NOW - 3 * HOUR, DIFFERS, id="when-the-set-from-before-was-saved"),
            pytest.param(NOW - 3 * HOUR + MICROSECOND, {}, id="a-moment-later"),
            pytest.param(AFTER.first_seen, {}, id="when-the-set-came"),
            pytest.param(AFTER.first_seen + MICROSECOND, DIFFERS, id="only-after-that"),
        ],
    )
    def test_axis_zero_references_want_a_re_zeroing_too(self, re_zeroed: Any, expected: dict[str, list[Level]]) -> None:
        marks = (checked(AFTER), *((mark("re-zeroed", re_zeroed),) if re_zeroed else ()))
        assert levels(swapped(AFTER, told=(compared(AFTER, ZERO, PROGRAMS),), marks=marks)) == expected

    def test_where_the_set_from_before_is_not_known_a_person_can_say_it(self) -> None:
        unknown = SWAPPED._replace(rests_on=None, fingerprint=None)
        of = given(AFTER, window=unknown)
        assert levels(of) == AWAITS
        assert "--set arm-07/after --by NAME --note WHY" in of.findings("awaiting-proof")[0].remedy
        assert levels(given(AFTER, window=unknown, marks=(checked(AFTER),))) == {}

    def test_a_set_whose_name_tells_only_the_day_counts_once_a_person_says_when_it_was_saved(self) -> None:
        day_only = AFTER._replace(stamp=NOW.replace(hour=0))
        of = swapped(day_only, told=EQUAL)
        (found,) = of.findings("awaiting-proof")
        assert found.message.endswith(
            " The set arm-07/after came after that, but by the stamp in its name it was saved 7 h before."
        )
        assert "a set counts as saved at midnight: save it under a name that tells the time too" in found.remedy
        assert levels(swapped(day_only, told=EQUAL, marks=(checked(day_only),))) == {}

    def test_nobody_can_say_it_of_an_old_set_that_was_filed_again(self) -> None:
        again = AFTER._replace(fingerprint=BEFORE.fingerprint)
        assert levels(swapped(again, marks=(checked(again),))) == AWAITS

    @pytest.mark.parametrize(("ahead", "expected"), [(timedelta(), {}), (MICROSECOND, AWAITS)])
    def test_one_first_seen_by_a_clock_that_was_ahead_may_be_from_before(
        self, ahead: timedelta, expected: dict[str, list[Level]]
    ) -> None:
        seen = AFTER._replace(first_seen=NOW + ahead)
        assert levels(swapped(seen, marks=(checked(seen),))) == expected


class TestWhatIsTold:
    def test_axis_zero_stands_first_with_a_warning(self) -> None:
        (found,) = swapped(AFTER, told=(compared(AFTER, PROGRAMS, ZERO),)).findings("memory-differs")
        assert found.message == (
            "The memory cell of arm-07 was changed (it was out for 10 min), and the memory is not what it was:"
            " arm-07/after differs from arm-07/before. WARNING: axis-zero: 1 changed (axis-zero.csv): the arm may move"
            " elsewhere than taught, and people can be hurt. NOTICE: programs: 1 missing (programs/weld.txt)."
        )
        assert f"restore arm-07/before (fingerprint {BEFORE.fingerprint})" in found.remedy
        assert "guard compare arm-07/before arm-07/after" in found.remedy
        assert "guard mark re-zeroed arm-07 --at WHEN" in found.remedy
        assert found.evidence["after_fingerprint"] == AFTER.fingerprint
        assert [each["part"] for each in found.evidence["parts"]] == ["axis-zero", "programs"]  # type: ignore[attr-defined]

    def test_what_may_hold_the_rest_of_the_memory_is_never_named_to_restore(self) -> None:
        old = proven(9 * HOUR, path="arm-07/old")
        harmed = BEFORE._replace(damaged_at=NOW)
        for sets, named in (((old, harmed), "restore arm-07/old"), ((harmed,), "No set is proven to restore from")):
            of = given(*sets, AFTER, window=SWAPPED, compared=(compared(AFTER, PROGRAMS),))
            (found,) = of.findings("memory-differs")
            assert (
                f"The set from before, arm-07/before, is not there unharmed. {'If the memory is lost, ' if old in sets else ''}{named}"
                in found.remedy
            )

    def test_only_pairs_from_before_and_after_are_compared(self) -> None:
        many = [proven(n * MINUTE, path=f"arm-07/{n}") for n in (50, 40, 30, 20, 10)]
        pairs = to_compare(standing(swapped(*many).facts))
        assert pairs == {(BEFORE.fingerprint, each.fingerprint) for each in (many[0], many[3], many[4])}


class TestTheLedgersWord:
    def test_what_is_settled_there_stays_settled(self) -> None:
        settled = Proofs(settled=(Settled("memory-swap", SWAPPED.began_at, ENDED),))
        assert levels(swapped(proofs=settled)) == {}
        assert levels(swapped(proofs=Proofs(settled=(Settled("power-down", SWAPPED.began_at, ENDED),)))) == AWAITS

    @pytest.mark.parametrize(
        ("proven_until", "expected"),
        [
            pytest.param(ENDED, {}, id="the-power-was-back-then"),
            pytest.param(ENDED - MICROSECOND, AWAITS, id="its-return-was-corrected-to-later"),
            pytest.param(ENDED + MICROSECOND, {}, id="its-return-was-corrected-to-earlier"),
        ],
    )
    def test_a_power_down_that_lasted_longer_than_was_known_is_not_settled(
        self, proven_until: datetime, expected: dict[str, list[Level]]
    ) -> None:
        settled = Proofs((Settled("power-down", OFF.at, proven_until),))
        assert levels(given(BEFORE, marks=(OFF, ON), proofs=settled)) == expected

    def test_what_differed_stays_until_it_is_settled_also_after_the_next_change(self) -> None:
        before = Lapse("memory-swap", NOW - 9 * DAY, NOW - 8 * DAY, "arm-07/old", "0" * 64)
        of = swapped(AFTER, told=(*EQUAL, Compared("0" * 64, AFTER.fingerprint or "", (PROGRAMS,))))
        assert levels(of) == {}
        assert levels(Given(of.facts._replace(proofs=Proofs(differed=(before,))), of.question)) == DIFFERS

    def test_a_power_down_that_never_happened_is_none(self) -> None:
        differed = Proofs(differed=(Lapse("power-down", NOW - 9 * DAY, NOW - 8 * DAY, "arm-07/old", "0" * 64),))
        assert levels(given(BEFORE, AFTER, proofs=differed)) == {}
        off = mark("powered-off", NOW - 9 * DAY)
        assert levels(given(BEFORE, AFTER, marks=(off,), proofs=differed)) == AWAITS


class TestSignedOff:
    def test_who_answers_for_one_difference_does_not_for_the_next(self) -> None:
        from guard.rules.sign_off import subject

        of = swapped(AFTER, told=(compared(AFTER, PROGRAMS),))
        made = sign_off("memory-differs", subject=subject(of.findings("memory-differs")[0]))
        assert Given(of.facts._replace(sign_offs=(made,)), of.question).verdict.level == "caution"
        told = (compared(AFTER, PROGRAMS), compared(LATER, PROGRAMS))
        assert swapped(AFTER, LATER, told=told, sign_offs=(made,)).verdict.level == "hold"


def test_the_set_from_before_is_kept_as_long_as_the_memory_is_not_proven() -> None:
    from guard.rules.retention import Schedule, decisions

    nothing = Schedule(timedelta(), 0, 0, 0, 0, 0)
    reasons = {}
    for code, told in (("open", (compared(LATER, PROGRAMS),)), ("proven", (compared(LATER),))):
        of = powered_down(BEFORE, AFTER, LATER, told=(*told, compared(AFTER, PROGRAMS)))
        found = decisions(of.facts, nothing, UTC)
        reasons[code] = next(each.reasons for each in found if each.path == BEFORE.path)
    assert "the memory was not proven since the power-down" in reasons["open"]
    assert "the memory was not proven since the power-down" not in reasons["proven"]


class TestChangesThatAreOnlyMarked:
    """A memory cell that was changed without a window: the memory awaits proof from the moment that was marked."""

    WAS = mark("cell-changed", ENDED, cell=MEMORY_CELL.name)

    def told(self, *sets: BackupSet, marks: tuple[Mark, ...] = (), told: tuple[Compared, ...] = (), **more: Any) -> Any:
        spares = (SpareCells(MEMORY_CELL, None), SpareCells(CellType("position-cell", "position", DAY), None))
        return levels(given(*sets, marks=marks or (self.WAS,), compared=told, spares=spares, **more))

    @pytest.mark.parametrize(
        ("sets", "compared_to", "expected"),
        [
            pytest.param((BEFORE,), (), AWAITS, id="no-set-since"),
            pytest.param((BEFORE, AFTER), EQUAL, {}, id="equal"),
            pytest.param((BEFORE, AFTER), (compared(AFTER, PROGRAMS),), DIFFERS, id="differs"),
            pytest.param((AFTER,), (), {}, id="the-first-set-of-all"),
            pytest.param((BEFORE, proven(HOUR, path="arm-07/then")), (), AWAITS, id="a-set-of-that-very-moment"),
            pytest.param(
                (BEFORE, first := proven(HOUR - MICROSECOND, path="arm-07/then")),
                (compared(first),),
                {},
                id="one-of-right-after",
            ),
        ],
    )
    def test_sets_tell(
        self, sets: tuple[BackupSet, ...], compared_to: tuple[Compared, ...], expected: dict[str, list[Level]]
    ) -> None:
        assert self.told(*sets, told=compared_to) == expected

    @pytest.mark.parametrize(
        ("cell", "expected"),
        [
            pytest.param(MEMORY_CELL.name, AWAITS, id="memory-cell"),
            pytest.param("position-cell", {}, id="position-cell"),
            pytest.param("", AWAITS, id="nobody-told-which"),
            pytest.param("of-old", AWAITS, id="no-type-that-is-known"),
        ],
    )
    def test_what_may_have_been_the_memory_cell_counts(self, cell: str, expected: dict[str, list[Level]]) -> None:
        assert self.told(BEFORE, marks=(self.WAS._replace(cell=cell),)) == expected

    def test_the_mark_of_a_window_tells_no_second_change_and_one_of_later_does(self) -> None:
        settled = Proofs((Settled("memory-swap", SWAPPED.began_at, ENDED),))
        for after, expected in ((timedelta(), {}), (MICROSECOND, AWAITS)):
            marks = (self.WAS._replace(at=ENDED + after),)
            assert self.told(BEFORE, marks=marks, window=SWAPPED, proofs=settled) == expected

    def test_a_time_that_cannot_be_is_proven_by_no_set(self) -> None:
        for at in (NOW + MICROSECOND, datetime(1980, 1, 1, tzinfo=UTC)):
            assert self.told(BEFORE, AFTER, marks=(self.WAS._replace(at=at),), told=EQUAL) == AWAITS

    def test_a_difference_outlasts_all_but_a_correction_of_the_mark(self) -> None:
        lapse = Lapse("memory-swap", ENDED, ENDED, BEFORE.path, BEFORE.fingerprint)
        known = Proofs((), (lapse,))
        found = (compared(AFTER, PROGRAMS),)
        assert self.told(BEFORE, AFTER, told=found, proofs=known) == DIFFERS
        moved = (self.WAS._replace(at=ENDED - 3 * HOUR),)
        assert self.told(BEFORE, AFTER, marks=moved, told=found, proofs=known) == {}
