"""`guard campaign`, through the real command line."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest

from guard.clock import now
from tests.plant import Plant


def plan(plant: Plant, start: str = "in 3d") -> str:
    """Plan an event on both arms; returns its id."""
    done = plant.run(
        "event", "add", "--kind", "power-down", "--start", start, "--for", "8h", "--all", "--title", "Winter"
    )
    assert done.code == 0, done
    return str(plant.run("event", "list", "--json").json["events"][-1]["id"])


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Plant:
    """One arm with a fresh proven set, one with a stale one. To be copied, and not to be changed."""
    plant = Plant(tmp_path_factory.mktemp("campaign") / "plant")
    plant.save("arm-07")
    plant.save("arm-09", timedelta(days=20))
    plant.ready()
    return plant


@pytest.fixture
def half_ready(prepared: Plant, tmp_path: Path) -> Plant:
    """A plant of one's own as it was prepared."""
    return prepared.copy(tmp_path / "plant")


def test_an_arm_with_a_fresh_proven_set_needs_none_and_the_other_has_its_turn(half_ready: Plant) -> None:
    event = plan(half_ready)
    done = half_ready.run("campaign", event, "--json")
    assert done.code == 0, done
    told = done.json
    assert [(arm["arm"], arm["needs"], arm["verdict"]) for arm in told["arms"]] == [
        ("arm-07", "nothing", "clear"),
        ("arm-09", "backup", "hold"),
    ]
    assert [(turn["arm"], turn["person"], turn["begin_by"]) for turn in told["turns"]] == [
        ("arm-09", 1, told["begin_by"])
    ]
    assert (told["missed"], told["help"], told["not_configured"]) == ([], None, [])
    screen = half_ready.run("campaign", "winter").out
    assert " Arms         1 to back up, 1 done\n" in screen
    assert "Before work at the machine" in screen


def test_a_new_set_has_to_be_read_back_only_and_then_the_arm_is_done(half_ready: Plant) -> None:
    event = plan(half_ready)
    half_ready.save("arm-09")
    half_ready.look()

    def needs() -> list[str]:
        return [arm["needs"] for arm in half_ready.run("campaign", event, "--json").json["arms"]]

    assert needs() == ["nothing", "proof"]
    half_ready.prove()
    assert needs() == ["nothing", "nothing"]


def test_what_cannot_be_made_in_time_is_a_hold_and_says_what_would_help(half_ready: Plant) -> None:
    half_ready.save("arm-07", timedelta(days=19))
    half_ready.run("mark", "edit", "arm-07")
    event = plan(half_ready, start="in 45m")
    done = half_ready.run("campaign", event)
    assert done.code == 20
    assert "2 people instead of 1 make all of them in time." in done.out
    assert "That is past" in done.out
    assert half_ready.run("campaign", event, "--people", "2").code == 0


def test_an_arm_that_left_the_configuration_is_told(half_ready: Plant) -> None:
    event = plan(half_ready)
    half_ready.arms = ("arm-07",)
    half_ready.configure()
    done = half_ready.run("campaign", event)
    assert (done.code, "Not in the configuration" in done.out) == (30, True), done
    assert half_ready.run("campaign", event, "--json").json["not_configured"] == ["arm-09"]


def test_what_must_be_done_before_an_event_is_answered_arm_by_arm(half_ready: Plant) -> None:
    event = plan(half_ready)
    half_ready.run("mark", "cell-alarm", "arm-07")
    done = half_ready.run("ask", "what must be done before the winter?")
    assert done.code == 20
    assert done.out.startswith(f"Understood: what must be done before {event}, power-down (Winter): ")
    assert "Begin by " in done.out
    assert "Before work at the machine" in done.out

    told = half_ready.run("ask", "--json", "what", "is", "to", "be", "done", "before", event).json

    assert (told["verdict"], [each["arm"] for each in told["answers"]]) == ("hold", ["arm-07", "arm-09"])
    blocking = {each["arm"]: each["blocking"] for each in told["campaign"]["arms"]}
    assert [(each["code"], each["by"]) for each in blocking["arm-07"]] == [
        ("cell-alarm", told["campaign"]["event"]["start"])  # no backup of its own is needed, before which it would come
    ]
    assert [(each["code"], each["by"]) for each in blocking["arm-09"]] == [
        ("stale-backup", told["campaign"]["begin_by"])
    ]
    kinds = [entry["kind"] for entry in half_ready.run("ledger", "show", "--json").json["entries"]]
    assert kinds[-2:] == ["verdict", "verdict"]


def test_before_what_is_no_event_nothing_is_answered(half_ready: Plant) -> None:
    done = half_ready.run("ask", "what must be done before friday")
    assert (done.code, done.out) == (2, "")
    assert "No planned event is called 'friday'" in done.err


def test_the_plan_is_written_as_a_page_and_a_calendar_and_nothing_else_is_overwritten(half_ready: Plant) -> None:
    event = plan(half_ready)
    files = ["--html", "plan.html", "--calendar", "plan.ics"]
    for _ in range(2):  # written anew over its own
        done = half_ready.run("campaign", event, *files)
        assert (done.code, done.out.split("\n")[-3:]) == (0, ["Written: plan.html", "Written: plan.ics", ""]), done
    calendar = (half_ready.root / "plan.ics").read_bytes()
    assert calendar.count(b"BEGIN:VEVENT") == 1
    half_ready.run("campaign", event, *files)
    assert (half_ready.root / "plan.ics").read_bytes() == calendar
    before = half_ready.config.read_bytes()
    for option in ("--html", "--calendar"):
        assert half_ready.run("campaign", event, option, str(half_ready.config)).code == 2
        assert half_ready.run("campaign", event, option, str(half_ready.share)).code == 2
        assert half_ready.run("campaign", event, option, "nowhere/plan").code == 1
    assert half_ready.config.read_bytes() == before
    link = half_ready.root / "link.html"
    link.symlink_to("plan.html")
    assert half_ready.run("campaign", event, "--html", str(link)).code == 2
    assert link.is_symlink()


def test_the_fleet_tells_by_when_the_backups_before_the_next_event_must_begin(half_ready: Plant) -> None:
    assert half_ready.run("fleet", "--json").json["next_event"] is None
    event = plan(half_ready)
    told = half_ready.run("fleet", "--json").json["next_event"]
    ordered = half_ready.run("campaign", event, "--json").json
    assert (told["id"], told["backups"], told["missed"]) == (event, 1, [])
    assert told["begin_by"] == ordered["begin_by"]
    screen = half_ready.run("fleet").out
    assert f"NEXT                  {event}, power-down (Winter): " in screen
    assert "1 to back up, 1 done; begin by " in screen
    half_ready.save("arm-09")
    half_ready.look()
    half_ready.prove()
    assert f": 2 done: guard campaign {event}" in half_ready.run("fleet").out


def test_an_event_later_than_any_lead_time_is_not_told_as_the_next(half_ready: Plant) -> None:
    plan(half_ready, start="in 8d")
    assert half_ready.run("fleet", "--json").json["next_event"] is None


WRONG_CALLS = (
    (["ev-99"], "No planned event is called"),
    (["running"], "has begun"),
    (["ev-1", "--people", "0"], "--people '0'"),
    (["ev-1", "--people", "two"], "--people 'two'"),
    (["ev-1", "--people", "9" * 5000], "--people"),
    (["ev-1", "--minutes-each", "1.5"], "--minutes-each '1.5'"),
    (["ev-1", "--minutes-each", "10081"], "never fits before ev-1"),
)


def test_a_wrong_call_is_refused(plant: Plant) -> None:
    plan(plant)
    start = (now() - timedelta(hours=1)).isoformat(timespec="seconds")
    plant.run("event", "add", "--kind", "power-down", "--start", start, "--for", "8h", "--all", "--title", "running")
    for words, told in WRONG_CALLS:
        done = plant.run("campaign", *words)
        assert (done.code, told in done.err) == (2, True), done


def test_an_arm_is_not_done_while_its_power_goes_off_once_more_before(plant: Plant) -> None:
    plant.save("arm-07")
    plant.ready()
    for ahead in ("in 20h", "in 72h"):
        done = plant.run("event", "add", "--kind", "power-down", "--arm", "arm-07", "--start", ahead, "--for", "1h")
        assert done.code == 0, done
    first, then = (event["id"] for event in plant.run("event", "list", "--json").json["events"])
    told = plant.run("ask", f"what must be done before {then}")
    assert "1. Save a backup of arm-07: its power is planned to be off before." in told.out, told
    assert f"off meanwhile ({first})" in plant.run("campaign", then).out
    assert "Nothing more is to be done on: arm-07" in plant.run("ask", f"what must be done before {first}").out
