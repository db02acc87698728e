"""Sign-offs: a named person answers for one finding until a moment; it counts as a caution, and is never clear."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import pytest

from guard.model import Action, Finding, Level, Powered, Problem, ShareFacts, Twin
from guard.rules.sign_off import counts_as, in_utc, subject
from tests.facts import DAY, HOUR, LONG_ON, MICROSECOND, NOW, Given, given, mark, proven, sign_off, window
from tests.plant import ZONE, Plant, content

MINUTE = timedelta(minutes=1)
STALE = proven(8 * DAY)


def stale(ahead: timedelta = timedelta(), **changes: Any) -> Given:
    """A stale backup that somebody answers for."""
    answered = sign_off("stale-backup", subject=STALE.path)._replace(**changes)
    return given(STALE, at=NOW + ahead, sign_offs=(answered,))


FAR: dict[str, Any] = {"event_at": NOW + 20 * DAY, "until": NOW + 21 * DAY}
"""For an event that begins later than anybody may else answer for."""


def answered_for(of: Given, code: str) -> list[tuple[Level, bool]]:
    """The levels of the findings with that code, and whether somebody answers for them."""
    return [(found.level, found.signed_off is not None) for found in of.findings(code)]


class TestWhatItCovers:
    """Code and subject equal, made by now, no graver than then, and until the time asked about."""

    @pytest.mark.parametrize(
        ("of", "covered"),
        [
            pytest.param(stale(), True, id="it"),
            pytest.param(stale(code="edited-since"), False, id="another-code"),
            pytest.param(stale(subject=None), False, id="about-no-set"),
            pytest.param(stale(subject="arm-07/other"), False, id="about-another-set"),
            pytest.param(stale(at=NOW), True, id="made-now"),
            pytest.param(stale(at=NOW + MICROSECOND), False, id="made-later-than-the-facts"),
            pytest.param(stale(until=NOW), True, id="until-now"),
            pytest.param(stale(until=NOW - MICROSECOND), False, id="over"),
            pytest.param(stale(DAY), True, id="at-its-end"),
            pytest.param(stale(DAY + MICROSECOND), False, id="a-moment-after-its-end"),
            pytest.param(stale(level="unknown"), False, id="made-when-it-was-less-grave"),
            pytest.param(stale(7 * DAY - HOUR, **FAR), True, id="7-days-long-before-its-event"),
            pytest.param(stale(7 * DAY - HOUR + MICROSECOND, **FAR), False, id="and-no-longer"),
            pytest.param(stale(20 * DAY - MICROSECOND, **FAR), False, id="just-before-its-event"),
            pytest.param(stale(20 * DAY, **FAR), True, id="at-its-event"),
            pytest.param(stale(21 * DAY, **FAR), True, id="as-long-as-its-event-lasts"),
            pytest.param(stale(21 * DAY + MICROSECOND, **FAR), False, id="when-its-event-is-over"),
        ],
    )
    def test_boundary(self, of: Given, covered: bool) -> None:  # noqa: FBT001
        assert answered_for(of, "stale-backup") == [("hold", covered)]
        assert of.verdict.level == ("caution" if covered else "hold")

    @pytest.mark.parametrize("out", [timedelta(), 25 * MINUTE, HOUR], ids=["open", "closing", "over"])
    def test_nobody_answers_for_a_cell_that_is_out(self, out: timedelta) -> None:
        codes = ("window-open", "window-closing", "window-over")
        of = given(proven(), window=window(out), sign_offs=tuple(map(sign_off, codes)))
        assert of.verdict.level == "hold"
        assert [found.signed_off for found in of.verdict.findings] == [None]

    @pytest.mark.parametrize(
        ("of", "same", "code"),
        [
            pytest.param(
                given(proven(), marks=(mark("edit", NOW - HOUR), mark("edit", NOW - MINUTE))),
                given(proven(), marks=(mark("edit", NOW - HOUR),)),
                "edited-since",
                id="the-next-edit",
            ),
            pytest.param(
                given(proven(path="arm-07/another"), marks=(mark("edit", NOW - HOUR),)),
                given(proven(), marks=(mark("edit", NOW - HOUR),)),
                "edited-since",
                id="another-set-of-the-same-time",
            ),
            pytest.param(
                given(proven(), window=window(MINUTE, ended_at=NOW)),
                given(proven(), window=window(MINUTE, ended_at=NOW - HOUR)),
                "awaiting-proof",
                id="the-next-change-of-the-cell",
            ),
            pytest.param(
                given(proven(), share={"marker": "other"}),
                given(proven(), share={"marker": "gone"}),
                "share-doubt",
                id="another-share",
            ),
            pytest.param(
                given(proven(), action="memory-swap", powered=Powered(on=False, since=NOW)),
                given(proven(), action="memory-swap"),
                "not-powered-long-enough",
                id="known-to-be-off-where-it-was-not-known",
            ),
            pytest.param(
                given(proven(), marks=(mark("cell-alarm", NOW - HOUR, cell="memory-cell"),)),
                given(proven(), marks=(mark("cell-alarm", NOW - HOUR, cell="position-cell"),)),
                "cell-alarm",
                id="an-alarm-of-another-cell-at-the-same-time",
            ),
        ],
    )
    def test_who_answered_for_one_did_not_for(self, of: Given, same: Given, code: str) -> None:
        (before,) = same.findings(code)
        made = sign_off(code, subject=subject(before), level=before.level)
        for each, covered in ((same, True), (of, False)):
            signed = Given(each.facts._replace(sign_offs=(made,)), each.question)
            assert [is_covered for _, is_covered in answered_for(signed, code)] == [covered]


class TestTheVerdict:
    def test_what_is_signed_off_keeps_its_level_and_tells_who_answers(self) -> None:
        (found,) = stale().findings("stale-backup")
        assert found.level == "hold"
        assert found.signed_off is not None
        assert in_utc(found.signed_off) == "Ana until 2026-11-26T08:00:00Z: spare arm stands by"

    def test_of_several_the_one_that_lasts_longest_is_told(self) -> None:
        made = [
            sign_off("stale-backup", subject=STALE.path, by=by, until=NOW + days * DAY)
            for by, days in (("Ben", 2), ("Ana", 1))
        ]
        (found,) = given(STALE, sign_offs=tuple(made)).findings("stale-backup")
        assert found.signed_off is not None
        assert in_utc(found.signed_off) == "Ben until 2026-11-27T08:00:00Z: spare arm stands by"

    def test_its_end_is_the_horizon(self) -> None:
        answer = stale().verdict
        assert (answer.level, answer.holds_until, answer.then) == ("caution", NOW + DAY + MICROSECOND, "hold")

    def test_for_an_event_far_ahead_each_turn_is_the_horizon(self) -> None:
        asked, told = timedelta(), []
        for _ in range(4):
            answer = stale(asked, **FAR).verdict
            told.append((answer.level, answer.holds_until, answer.then))
            asked = (answer.holds_until or NOW) - NOW
        assert told[:3] == [
            ("caution", NOW + 7 * DAY - HOUR + MICROSECOND, "hold"),
            ("hold", NOW + 20 * DAY, "caution"),
            ("caution", NOW + 21 * DAY + MICROSECOND, "hold"),
        ]

    def test_what_is_not_signed_off_stands_first(self) -> None:
        of = given(STALE, marks=(mark("edit", NOW),), sign_offs=(sign_off("stale-backup", subject=STALE.path),))
        assert [(found.code, counts_as(found)) for found in of.verdict.findings] == [
            ("edited-since", "hold"),
            ("stale-backup", "caution"),
        ]

    def test_a_caution_stays_one(self) -> None:
        of = given(proven(), action="memory-swap", sign_offs=(sign_off("not-powered-long-enough", level="caution"),))
        assert answered_for(of, "not-powered-long-enough") == [("caution", True)]
        assert of.verdict.level == "caution"

    def test_a_clear_level_counts_as_it_is(self) -> None:
        assert counts_as(Finding("odd-entry", "clear", "…", "…", {}, signed_off=sign_off("odd-entry"))) == "clear"

    def test_an_unknown_counts_as_a_caution(self) -> None:
        share = ShareFacts("right", NOW, unreadable="input/output error")
        made = sign_off("share-offline", subject="input/output error", level="unknown")
        of = given(proven(), powered=LONG_ON, sign_offs=(made,))
        of = Given(of.facts._replace(share=share), of.question)
        assert (of.verdict.level, answered_for(of, "share-offline")) == ("caution", [("unknown", True)])


class TestNever:
    """Nobody answers for another arm's content, nor for a memory swap with no complete set; more can be configured."""

    INCOMPLETE = proven(checked=False, problems=(Problem("incomplete-set", "no image"),))

    @pytest.mark.parametrize(
        ("of", "code", "action", "covered"),
        [
            pytest.param(
                given(proven(twins=(Twin("arm-09", "arm-09/1", "image"),))),
                "wrong-arm",
                "service-visit",
                False,
                id="wrong-arm",
            ),
            pytest.param(given(), "no-backup", "memory-swap", False, id="swap-without-a-set"),
            pytest.param(given(), "no-backup", "power-down", True, id="power-down-without-a-set"),
            pytest.param(given(INCOMPLETE), "incomplete-set", "memory-swap", False, id="swap-with-no-complete-set"),
            pytest.param(given(INCOMPLETE), "incomplete-set", "power-down", True, id="power-down-with-no-complete-set"),
            pytest.param(
                given(proven(damaged_at=NOW)), "damaged-set", "memory-swap", False, id="swap-with-a-damaged-set"
            ),
            pytest.param(
                given(proven(last_read_at=None)), "not-read-back", "memory-swap", True, id="complete-and-not-read-back"
            ),
        ],
    )
    def test_default(self, of: Given, code: str, action: Action, covered: bool) -> None:  # noqa: FBT001
        of = Given(of.facts, of.question._replace(action=action))
        (found,) = of.findings(code)
        made = sign_off(code, subject=subject(found), level=found.level)
        signed = Given(of.facts._replace(sign_offs=(made,)), of.question)
        assert answered_for(signed, code) == [("hold", covered)]
        free = Given(signed.facts._replace(limits=of.facts.limits._replace(never_signed=())), of.question)
        assert answered_for(free, code) == [("hold", True)], "as configured"

    def test_as_configured(self) -> None:
        of = stale()
        limits = of.facts.limits._replace(never_signed=(("power-down", "stale-backup"),))
        assert answered_for(Given(of.facts._replace(limits=limits), of.question), "stale-backup") == [("hold", False)]


class TestOverWhenTheFactsChange:
    @pytest.mark.parametrize(
        ("before", "after", "code"),
        [
            pytest.param(
                given(proven(), limits={"read_back_within": timedelta()}),
                given(proven(trouble="input/output error"), limits={"read_back_within": timedelta()}),
                "not-read-back",
                id="old-proof-then-unreadable",
            ),
            pytest.param(
                given(proven(), share={"unreadable": "permission denied"}),
                given(proven(), share={"unreadable": "input/output error"}),
                "share-offline",
                id="another-reason",
            ),
            pytest.param(
                given(proven(), share={"vanished": 3}),
                given(proven(), share={"vanished": 9}),
                "share-doubt",
                id="more-vanished",
            ),
        ],
    )
    def test_then_nobody_answers(self, before: Given, after: Given, code: str) -> None:
        (found,) = before.findings(code)
        made = sign_off(code, subject=subject(found), level=found.level)
        for of, covered in ((before, True), (after, False)):
            signed = Given(of.facts._replace(sign_offs=(made,)), of.question)
            assert [is_covered for _, is_covered in answered_for(signed, code)] == [covered]


def stale_plant(root: Path) -> Plant:
    """A plant whose backup of arm-07 is too old, and that of arm-09 is not."""
    plant = Plant(root)
    plant.save("arm-07", 8 * DAY)
    plant.save("arm-09")
    plant.ready()
    return plant


@pytest.fixture(scope="module")
def untouched(tmp_path_factory: pytest.TempPathFactory) -> Plant:
    """That plant, for all tests in which nothing is signed off."""
    return stale_plant(tmp_path_factory.mktemp("untouched") / "plant")


@pytest.fixture
def ready(untouched: Plant, tmp_path: Path) -> Plant:
    """That plant, for one test."""
    return untouched.copy(tmp_path / "plant")


def sign(plant: Plant, *words: str, arm: str = "arm-07", code: str = "stale-backup", until: str = "in 2d") -> Any:
    by = ("--by", "Ana", "--why", "spare arm stands by")
    return plant.run("sign-off", arm, "--finding", code, *by, "--until", until, *words)


class TestCommand:
    def test_from_hold_to_caution(self, ready: Plant) -> None:
        assert ready.ask().json["verdict"] == "hold"
        done = sign(ready)
        assert done.code == 0, done
        assert done.out.startswith("Recorded: Ana answers for stale-backup on arm-07 until ")
        assert "lockout/tagout" in done.out
        answer = ready.ask()
        assert (answer.code, answer.answer["verdict"], answer.answer["then"]) == (10, "caution", "hold")
        (found,) = answer.answer["findings"]
        assert found["level"] == "hold"
        assert found["signed_off"].startswith("Ana until ")
        assert found["signed_off"].endswith(": spare arm stands by")
        screen = ready.run("ask", "--arm", "arm-07").out
        assert "CAUTION: a sign-off allows you to power down arm-07, not the backups" in screen
        assert "Signed off by Ana until " in screen

    def test_it_is_recorded_for_good(self, ready: Plant) -> None:
        sign(ready)
        (entry,) = [
            entry for entry in ready.run("ledger", "show", "--json").json["entries"] if entry["kind"] == "sign-off"
        ]
        assert entry["arm"] == "arm-07"
        for told in ("stale-backup", "Ana", "spare arm stands by", ready.sets()[0]["path"]):
            assert told in entry["body"]
        assert ready.run("ledger", "check").code == 0

    def test_for_a_time_to_come(self, ready: Plant) -> None:
        assert sign(ready, arm="arm-09").code == 2
        assert sign(ready, "--at", "in 167h", arm="arm-09", until="in 168h").code == 0
        assert ready.ask("arm-09", "power-down", "--at", "in 167h").json["verdict"] == "caution"
        assert ready.ask("arm-09", "power-down", "--at", "in 10d").json["verdict"] == "hold"

    def test_for_one_action_only_what_it_has(self, ready: Plant) -> None:
        refused = sign(ready, "--action", "power-down", code="not-powered-long-enough")
        assert (refused.code, refused.out) == (2, "")
        assert refused.err == (
            "arm-07 has no finding not-powered-long-enough that could be signed off. It has: stale-backup. What is"
            " found depends on what shall be done and when; name them with --action and --at.\n"
        )
        assert sign(ready, "--action", "memory-swap", code="not-powered-long-enough").code == 0

    @pytest.mark.parametrize(
        ("words", "told"),
        [
            pytest.param({"code": "damaged-set"}, "arm-07 has no finding damaged-set", id="not-found"),
            pytest.param({"code": "stale"}, "No finding has the code 'stale'", id="no-code"),
            pytest.param({"code": "window-over"}, "window-over cannot be signed off", id="window"),
            pytest.param(
                {"until": "in 169h"}, "Name a time to come, 7 d from now at most, or the planned event", id="too-long"
            ),
            pytest.param({"until": "in 0s"}, "Name a time to come", id="at-once"),
            pytest.param({"until": "2026-01-01T00:00:00Z"}, "Name a time to come", id="past"),
            pytest.param({"until": "soon"}, "Not understood: the time 'soon'", id="no-time"),
            pytest.param({"arm": "arm-70"}, "No arm is called 'arm-70'", id="no-arm"),
        ],
    )
    def test_refused(self, untouched: Plant, words: dict[str, str], told: str) -> None:
        done = sign(untouched, **words)  # type: ignore[arg-type]
        assert (done.code, done.out) == (2, "")
        assert told in done.err
        assert untouched.ask().json["verdict"] == "hold"

    def test_for_a_planned_event_until_it_is_over(self, ready: Plant) -> None:
        event = ("event", "add", "--kind", "power-down", "--start", "in 20d", "--for", "2w", "--arm", "arm-09")
        assert ready.run(*event).code == 0
        (there,) = ready.run("event", "list", "--json", "--to", "in 60d").json["events"]
        number = ("--event", there["id"])
        assert sign(ready, *number, arm="arm-09", until="in 35d").code == 2, "longer than the event"
        words = ("--by", "Ana", "--why", "spare arm stands by")
        done = ready.run("sign-off", "arm-09", "--finding", "stale-backup", *words, *number)
        assert done.code == 0, done
        at = ("--at", there["start"], "--off-for", "2w")
        assert ready.ask("arm-09", "power-down", *at).json["verdict"] == "caution"
        assert ready.ask("arm-09", "power-down", "--at", "in 35d").json["verdict"] == "hold"
        assert "For 7 d, and again while the event lasts, it counts as a caution" in done.out
        assert ready.ask("arm-09", "power-down", "--at", "in 15d").json["verdict"] == "hold", "before the event"
        other = ready.run("sign-off", "arm-07", "--finding", "stale-backup", *words, *number)
        assert (other.code, "does not concern it" in other.err) == (2, True)
        both = sign(ready, *number, "--at", "in 1d", arm="arm-09")
        assert (both.code, "The event tells both" in both.err) == (2, True)

    def test_for_one_of_two_cells_it_leaves_the_other_a_hold(self, ready: Plant) -> None:
        ready.save("arm-09", HOUR)
        ready.cells = (
            '[ { type = "memory-cell", installed = 2020-01-01 }, { type = "position-cell", installed = 2020-01-01 } ]'
        )
        ready.configure()
        other = sign(ready, "--about", "memory", arm="arm-09", code="cell-overdue")
        assert (other.code, other.out) == (2, "")
        assert "No cell-overdue of arm-09 is about 'memory'" in other.err
        assert "--about takes one of: memory-cell, 2020-01-01, position-cell" in other.err
        done = sign(ready, "--about", "memory-cell", arm="arm-09", code="cell-overdue")
        assert (done.code, done.out.count("Recorded: ")) == (0, 1)
        answer = ready.ask("arm-09").answer
        overdue = {
            found["evidence"]["cell"]: found["signed_off"] is not None
            for found in answer["findings"]
            if found["code"] == "cell-overdue"
        }
        assert overdue == {"memory-cell": True, "position-cell": False}
        assert answer["verdict"] == "hold"
        assert sign(ready, arm="arm-09", code="cell-overdue").out.count("Recorded: ") == 2, "each of them"

    def test_without_an_end_it_asks_for_one(self, untouched: Plant) -> None:
        done = untouched.run("sign-off", "arm-07", "--finding", "stale-backup", "--by", "Ana", "--why", "spare")
        assert (done.code, done.out) == (2, "")
        assert "--until WHEN, or the planned event that it is for: --event ID" in done.err

    def test_it_is_shown_with_the_name_and_in_the_plants_zone_wherever_the_arm_is(self, ready: Plant) -> None:
        from guard.clock import now
        from guard.times import shown

        signed = [now()]
        sign(ready)
        signed.append(now())
        days = {shown(at + 2 * DAY, ZoneInfo(ZONE))[:14] for at in signed}
        ready.run("report", "--out", str(ready.root / "out"))
        (text,), (page,) = ((ready.root / "out").glob(f"*.{kind}") for kind in ("txt", "html"))
        for told in (
            ready.run("fleet").out,
            ready.run("ask", "--arm", "arm-07").out,
            " ".join(text.read_text(encoding="utf-8").split()),
            page.read_text(encoding="utf-8"),
        ):
            assert any(f"Signed off by Ana until {day}" in told for day in days)
            assert "spare arm stands by" in told

    def test_nobody_answers_for_another_arms_content(self, ready: Plant) -> None:
        theirs = {**content("arm-09"), "settings.toml": content("arm-07")["settings.toml"]}
        ready.save("arm-07", HOUR, files=theirs)
        ready.look()
        ready.prove()
        done = sign(ready, code="wrong-arm")
        assert (done.code, done.out) == (2, "")
        assert done.err.startswith(
            "wrong-arm of arm-07 cannot be signed off: nobody can answer for what may come of it"
        )

    def test_7_days_are_allowed(self, ready: Plant) -> None:
        assert sign(ready, until="in 168h").code == 0

    @pytest.mark.parametrize("empty", ["--by", "--why"])
    def test_nobody_and_no_reason_is_refused(self, untouched: Plant, empty: str) -> None:
        words = {"--by": "Ana", "--why": "spare", empty: "  "}
        options = [word for pair in words.items() for word in pair]
        done = untouched.run("sign-off", "arm-07", "--finding", "stale-backup", "--until", "in 1d", *options)
        assert (done.code, done.err.split(".")[0]) == (2, f"Not understood: an empty {empty}")

    def test_what_a_person_writes_steers_no_terminal(self, ready: Plant) -> None:
        done = ready.run(
            "sign-off", "arm-07", "--finding", "stale-backup", "--by", "A\x1b[2J", "--why", "\u202e", "--until", "in 1d"
        )
        assert done.code == 0
        for shown in (done, ready.run("ask", "--arm", "arm-07")):
            assert "A\\x1b[2J" in shown.out
            assert "\x1b" not in shown.out
            assert "\u202e" not in shown.out
