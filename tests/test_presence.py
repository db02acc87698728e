"""Since when is an arm's power known to be on: what marks and answers prove, and how controllers are asked."""

from __future__ import annotations

import json
import logging
import os
import shutil
import socket
import subprocess
import sys
import threading
from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from datetime import UTC, datetime, timedelta
from time import monotonic
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from guard.clock import now
from guard.desk import Desk
from guard.load import load
from guard.model import Mark, Powered
from guard.rules.power import GAP, Presence, after_answer, after_silence, powered
from guard.service import presence as asking
from guard.service.presence import SILENT_AFTER, Place, Prober, attempts
from guard.store.presence import Observation, note, presences
from tests.facts import MICROSECOND, NOW, mark
from tests.plant import Plant

MINUTE = timedelta(minutes=1)
HOUR = timedelta(hours=1)


def answering(since: timedelta, last: timedelta = timedelta(), **more: Any) -> Presence:
    """A controller that answered from so long ago until so long ago."""
    return Presence(NOW - since, NOW - last, **more)


def on(ago: timedelta) -> Mark:
    return mark("powered-on", NOW - ago)


def off(ago: timedelta) -> Mark:
    return mark("powered-off", NOW - ago)


def answered_since(ago: timedelta, last: timedelta = timedelta()) -> Powered:
    return Powered(on=True, since=NOW - ago, source="its controller answers", until=NOW - last)


def marked_on(ago: timedelta, **more: Any) -> Powered:
    return Powered(on=True, since=NOW - ago, source="marked powered-on", **more)


def marked_off(ago: timedelta) -> Powered:
    return Powered(on=False, since=NOW - ago, source="marked powered-off")


UNKNOWN = Powered(on=None, since=None)
DOUBT = Powered(on=None, since=None, source="its controller does not answer: no answer within 3 s")
WHY = "no answer within 3 s"


def silent(since: timedelta, until: timedelta | None = None) -> Powered:
    """In doubt; last known to be on since then, and until then by its answers."""
    return DOUBT._replace(since=NOW - since, until=None if until is None else NOW - until)


@pytest.mark.parametrize(
    ("presence", "marks", "expected"),
    [
        pytest.param(None, [], UNKNOWN, id="nothing is known"),
        pytest.param(None, [on(HOUR)], marked_on(HOUR), id="a mark alone is believed"),
        pytest.param(None, [off(HOUR)], marked_off(HOUR), id="a mark says off"),
        pytest.param(None, [on(HOUR), off(2 * HOUR)], marked_on(HOUR), id="the later mark counts: on"),
        pytest.param(None, [on(2 * HOUR), off(HOUR)], marked_off(HOUR), id="the later mark counts: off"),
        pytest.param(None, [on(HOUR), off(HOUR)], marked_off(HOUR), id="at the same moment, off counts"),
        pytest.param(None, [on(3 * HOUR), on(HOUR)], marked_on(HOUR), id="powered on twice: since the later"),
        pytest.param(None, [on(-MICROSECOND)], UNKNOWN, id="a mark from the future is ignored"),
        pytest.param(None, [on(HOUR), off(-HOUR)], marked_on(HOUR), id="an off mark from the future is ignored"),
        pytest.param(
            None, [Mark("powered-on", "arm-07", datetime(1999, 1, 1, tzinfo=UTC))], UNKNOWN, id="a mark before all clocks"
        ),
        pytest.param(None, [mark("edit", NOW - HOUR)], UNKNOWN, id="other marks say nothing"),
        pytest.param(
            None,
            [mark("powered-on", NOW - HOUR, by="K. Lang")],
            Powered(on=True, since=NOW - HOUR, source="marked powered-on by K. Lang"),
            id="who marked it is told",
        ),
        pytest.param(answering(HOUR), [], answered_since(HOUR), id="it answers"),
        pytest.param(answering(HOUR, GAP), [], answered_since(HOUR, GAP), id="the last answer is as old as allowed"),
        pytest.param(answering(HOUR, GAP + MICROSECOND), [], UNKNOWN, id="the last answer is too old"),
        pytest.param(answering(HOUR, 10 * MINUTE, doubt=WHY), [], silent(HOUR, 10 * MINUTE), id="doubt"),
        pytest.param(answering(HOUR, doubt=WHY), [], silent(HOUR, timedelta()), id="doubt, whatever the times say"),
        pytest.param(Presence(None, None, WHY), [], DOUBT, id="it never answered"),
        pytest.param(Presence(None, None, WHY), [on(HOUR)], silent(HOUR), id="it never answered, though marked on"),
        pytest.param(answering(HOUR, 10 * MINUTE, doubt=WHY), [on(5 * MINUTE)], silent(5 * MINUTE), id="doubt, though marked on"),
        pytest.param(
            answering(HOUR, 10 * MINUTE, doubt=WHY), [off(10 * MINUTE)], marked_off(10 * MINUTE), id="silent, and marked off"
        ),
        pytest.param(
            answering(HOUR, 10 * MINUTE, doubt=WHY), [off(11 * MINUTE)], silent(10 * MINUTE, 10 * MINUTE), id="marked off, answered later, silent"
        ),
        pytest.param(
            answering(3 * HOUR, HOUR, doubt=WHY), [on(2 * HOUR)], silent(2 * HOUR, HOUR), id="marked on, answered, silent"
        ),
        pytest.param(
            answering(3 * HOUR, HOUR, doubt=WHY), [off(2 * HOUR)], silent(2 * HOUR - GAP, HOUR), id="marked off, back, silent"
        ),
        pytest.param(
            answering(3 * HOUR, HOUR, doubt=WHY), [off(HOUR - MINUTE), on(MINUTE)], silent(MINUTE), id="silent, off and on"
        ),
        pytest.param(answering(HOUR), [on(2 * HOUR)], marked_on(2 * HOUR, until=NOW), id="an earlier mark reaches further back"),
        pytest.param(
            answering(HOUR, doubted_until=NOW - HOUR), [on(2 * HOUR)], answered_since(HOUR), id="not over a doubt between"
        ),
        pytest.param(
            answering(HOUR, doubted_until=NOW - 3 * HOUR), [on(2 * HOUR)], marked_on(2 * HOUR, until=NOW), id="over no doubt before it"
        ),
        pytest.param(answering(HOUR), [on(4 * HOUR), off(2 * HOUR)], answered_since(HOUR), id="not over an off mark"),
        pytest.param(answering(3 * HOUR), [on(HOUR)], marked_on(HOUR, until=NOW), id="marked on later: it was off before"),
        pytest.param(answering(HOUR), [off(MINUTE)], answered_since(timedelta()), id="off mark, and an answer after it"),
        pytest.param(
            answering(2 * HOUR), [off(HOUR)], answered_since(HOUR - GAP), id="off mark among answers: back as late as can be"
        ),
        pytest.param(answering(2 * HOUR), [off(HOUR), on(HOUR - MINUTE)], marked_on(HOUR - MINUTE, until=NOW), id="off and on again"),
        pytest.param(answering(HOUR, MINUTE), [off(MINUTE)], marked_off(MINUTE), id="off at the last answer"),
        pytest.param(
            answering(HOUR, 10 * MINUTE), [on(2 * HOUR)], marked_on(2 * HOUR), id="not asked for a while: the mark stands"
        ),
        pytest.param(
            answering(HOUR, -MINUTE),
            [on(2 * HOUR)],
            Powered(on=None, since=None, source="its controller answered at a time that cannot be"),
            id="the clock was set back",
        ),
    ],
)  # fmt: skip
def test_what_is_known_of_the_power(presence: Presence | None, marks: list[Mark], expected: Powered) -> None:
    assert powered(presence, marks, NOW) == expected
    assert powered(presence, reversed(marks), NOW) == expected


# Laws

SEEN = st.lists(st.sampled_from(["answer", "silent", "none"]), min_size=1, max_size=40)
MOMENT = st.integers(0, 40 * 60).map(lambda seconds: timedelta(seconds=seconds))
MARKS = st.lists(st.tuples(st.sampled_from(["powered-on", "powered-off"]), MOMENT), max_size=3)


def observed(seen: list[str]) -> Presence | None:
    """What comes of observations a minute apart, the last one now."""
    presence: Presence | None = None
    failures = 0
    for number, what in enumerate(seen):
        at = NOW - (len(seen) - 1 - number) * MINUTE
        if what == "answer":
            failures = 0
            presence, _ = after_answer(presence, at)
        elif what == "silent":
            failures += 1
            if failures >= SILENT_AFTER:
                presence, _ = after_silence(presence, at, WHY)
    return presence


def time_on(presence: Presence | None, marks: list[Mark]) -> timedelta:
    """For how long the power is known to be on."""
    found = powered(presence, marks, NOW)
    return NOW - found.since if found.on and found.since else timedelta()


class TestLaws:
    """Not to have observed something never makes the time longer for which power is known to be on."""

    @given(SEEN, MARKS, st.integers(0, 39))
    def test_an_answer_less(self, seen: list[str], marks: list[tuple[str, timedelta]], number: int) -> None:
        number %= len(seen)
        told = [mark(kind, NOW - ago) for kind, ago in marks]
        less = [*seen[:number], "none" if seen[number] == "answer" else seen[number], *seen[number + 1 :]]
        assert time_on(observed(less), told) <= time_on(observed(seen), told)

    @given(SEEN, MARKS, st.integers(0, 39))
    def test_an_observation_less_where_nobody_marked_it_on(
        self, seen: list[str], marks: list[tuple[str, timedelta]], number: int
    ) -> None:
        number %= len(seen)
        told = [mark(kind, NOW - ago) for kind, ago in marks if kind == "powered-off"]
        less = [*seen[:number], "none", *seen[number + 1 :]]
        assert time_on(observed(less), told) <= time_on(observed(seen), told)

    @given(SEEN, MARKS, st.integers(0, 39))
    def test_a_failure_more(self, seen: list[str], marks: list[tuple[str, timedelta]], number: int) -> None:
        number %= len(seen)
        told = [mark(kind, NOW - ago) for kind, ago in marks]
        worse = [*seen[:number], "silent", *seen[number + 1 :]]
        assert time_on(observed(worse), told) <= time_on(observed(seen), told)

    @given(SEEN, MARKS)
    def test_what_is_known_to_be_on_had_a_proof(self, seen: list[str], marks: list[tuple[str, timedelta]]) -> None:
        told = [mark(kind, NOW - ago) for kind, ago in marks]
        found = powered(observed(seen), told, NOW)
        if found.on:
            assert "answer" in seen or any(kind == "powered-on" for kind, _ in marks)
            assert found.since is not None
            assert not any(kind == "powered-off" and NOW - ago > found.since for kind, ago in marks) or "answer" in seen

    @given(
        st.datetimes(timezones=st.just(UTC)),
        st.datetimes(timezones=st.just(UTC)),
        st.datetimes(timezones=st.just(UTC)),
        st.sampled_from([None, WHY]),
        MARKS,
    )
    def test_any_times_give_an_answer(
        self, since: datetime, last: datetime, as_of: datetime, doubt: str | None, marks: list[tuple[str, timedelta]]
    ) -> None:
        told = [Mark(kind, "arm-07", since) for kind, _ in marks]
        found = powered(Presence(since, last, doubt, last), told, as_of)
        assert found.since is None or found.since <= as_of


class TestChanges:
    """The row and the ledger tell from when to when a controller answered."""

    def seen(self, plant: Plant, *observations: tuple[timedelta, str | None]) -> tuple[Presence, list[dict[str, Any]]]:
        """What stands in the catalogue and in the ledger after observations so long ago."""
        plant.configure()
        desk = Desk(load(str(plant.config)))
        for ago, why in observations:
            note(desk.catalogue.store, [Observation("arm-07", NOW - ago, why)])
        before = presences(desk.catalogue.store, desk.ledger.store, ["arm-07", "arm-09"])
        desk.hand_over()
        after = presences(desk.catalogue.store, desk.ledger.store, ["arm-07", "arm-09"])
        assert before == after  # whether a change has come to the ledger yet makes no difference
        assert set(after) == {"arm-07"}
        bodies = [body for _, _, body in desk.ledger.bodies("presence", "arm-07")]
        assert desk.check().first_bad is None
        return after["arm-07"], bodies

    def test_answers_begin_once_and_go_on(self, plant: Plant) -> None:
        row, bodies = self.seen(plant, *((n * MINUTE, None) for n in (5, 4, 2, 0)))
        assert row == answering(5 * MINUTE)
        assert bodies == [{"answers": True, "since": "2026-11-25T07:55:00Z", "after": None, "last_answer": None}]

    def test_a_gap_begins_anew(self, plant: Plant) -> None:
        row, bodies = self.seen(plant, (10 * MINUTE, None), (7 * MINUTE, None), (4 * MINUTE - MICROSECOND, None))
        assert row == answering(4 * MINUTE - MICROSECOND, 4 * MINUTE - MICROSECOND)
        assert [(body["after"], body["last_answer"]) for body in bodies] == [
            (None, None),
            ("no look", "2026-11-25T07:53:00Z"),
        ]

    def test_a_gap_as_long_as_allowed_does_not(self, plant: Plant) -> None:
        assert self.seen(plant, (10 * MINUTE, None), (7 * MINUTE, None))[0] == answering(10 * MINUTE, 7 * MINUTE)

    def test_a_clock_that_was_set_back_begins_anew(self, plant: Plant) -> None:
        assert self.seen(plant, (HOUR, None), (2 * HOUR, None))[0] == answering(2 * HOUR, 2 * HOUR)

    def test_silence_is_doubt_once_and_ends_with_an_answer(self, plant: Plant) -> None:
        row, bodies = self.seen(
            plant, (9 * MINUTE, None), (6 * MINUTE, WHY), (5 * MINUTE, WHY), (4 * MINUTE, "refused"), (MINUTE, None)
        )
        assert row == answering(MINUTE, MINUTE, doubted_until=NOW - MINUTE)
        assert bodies[1:] == [
            {"answers": False, "since": "2026-11-25T07:51:00Z", "why": WHY},
            {"answers": True, "since": "2026-11-25T07:59:00Z", "after": "silence", "last_answer": "2026-11-25T07:51:00Z"},
        ]  # fmt: skip

    def test_one_that_never_answered_is_in_doubt(self, plant: Plant) -> None:
        row, bodies = self.seen(plant, (2 * MINUTE, WHY), (MINUTE, WHY))
        assert row == Presence(None, None, WHY)
        assert bodies == [{"answers": False, "since": "2026-11-25T07:58:00Z", "why": WHY}]

    def test_a_later_gap_forgets_no_doubt(self, plant: Plant) -> None:
        row, _ = self.seen(plant, (HOUR, WHY), (40 * MINUTE, None), (MINUTE, None))
        assert row == answering(MINUTE, MINUTE, doubted_until=NOW - 40 * MINUTE)


# Asking


@contextmanager
def controller() -> Iterator[tuple[socket.socket, int]]:
    """Something that answers on a port of its own, and keeps what is sent to it."""
    with socket.create_server(("127.0.0.1", 0), backlog=2000) as here:
        here.settimeout(10)
        yield here, here.getsockname()[1]


@contextmanager
def unanswering() -> Iterator[int]:
    """A port that takes no more connections, and answers nothing."""
    with ExitStack() as held:
        here = held.enter_context(socket.create_server(("127.0.0.1", 0), backlog=0))
        for _ in range(4):  # until its queue is full
            way = held.enter_context(socket.socket())
            way.settimeout(0)
            way.connect_ex(here.getsockname())
        yield here.getsockname()[1]


def free_port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as here:
        return int(here.getsockname()[1])


def place(port: int) -> Place:
    return Place(socket.AF_INET, ("127.0.0.1", port))


def with_addresses(plant: Plant, **addresses: str) -> Desk:
    """A desk over the plant, where these arms have addresses."""
    plant.configure()
    text = plant.config.read_text()
    for arm, address in addresses.items():
        text = text.replace(
            f'id = "{arm.replace("_", "-")}"', f'id = "{arm.replace("_", "-")}"\npresence = "{address}"'
        )
    plant.config.write_text(text)
    return Desk(load(str(plant.config)))


def rows(desk: Desk) -> dict[str, Presence]:
    return presences(desk.catalogue.store, desk.ledger.store, desk.settings.arms)


class TestAsking:
    """One quiet attempt a round to each address, and to no other."""

    def test_it_connects_sends_nothing_and_closes(self, plant: Plant) -> None:
        with controller() as (here, port):
            desk = with_addresses(plant, arm_07=f"tcp://127.0.0.1:{port}")
            before = now()
            Prober(desk).probe()
            way, _ = here.accept()
            with way:
                way.settimeout(10)
                assert way.recv(100) == b""
            here.settimeout(0)
            with pytest.raises(BlockingIOError):
                here.accept()  # one attempt, and no more
        row = rows(desk)["arm-07"]
        assert row.since == row.last_at
        assert row.since is not None
        assert before <= row.since <= now()
        assert powered(row, [], now()).on is True
        ((_, arm, body),) = desk.ledger.bodies("presence")
        assert (arm, body["answers"]) == ("arm-07", True)

    def test_the_third_failure_in_a_row_is_doubt(self, plant: Plant) -> None:
        desk = with_addresses(plant, arm_07=f"tcp://127.0.0.1:{free_port()}")
        prober = Prober(desk)
        prober.probe()
        prober.probe()
        assert rows(desk) == {}
        prober.probe()
        prober.probe()
        assert rows(desk)["arm-07"] == Presence(None, None, "Connection refused")
        assert [body["answers"] for _, _, body in desk.ledger.bodies("presence")] == [False]

    def test_an_answer_between_begins_the_count_anew(self, plant: Plant) -> None:
        port = free_port()
        desk = with_addresses(plant, arm_07=f"tcp://127.0.0.1:{port}")
        prober = Prober(desk)
        for is_on in (False, False, True, False, False):
            with ExitStack() as stack:
                if is_on:
                    stack.enter_context(socket.create_server(("127.0.0.1", port)))
                prober.probe()
        assert rows(desk)["arm-07"].doubt is None

    def test_silence_of_several_rounds_and_back(self, plant: Plant) -> None:
        moment = [NOW]
        port = free_port()
        desk = with_addresses(plant, arm_07=f"tcp://127.0.0.1:{port}")
        desk.now = lambda: moment[0]
        prober = Prober(desk)
        for is_on in (True, True, False, False, False, False, True):
            with ExitStack() as stack:
                if is_on:
                    stack.enter_context(socket.create_server(("127.0.0.1", port)))
                prober.probe()
            moment[0] += MINUTE
        row = rows(desk)["arm-07"]
        assert row == Presence(NOW + 6 * MINUTE, NOW + 6 * MINUTE, None, NOW + 6 * MINUTE)
        bodies = [body for _, _, body in desk.ledger.bodies("presence")]
        assert [(body["answers"], body["since"]) for body in bodies] == [
            (True, "2026-11-25T08:00:00Z"),
            (False, "2026-11-25T08:01:00Z"),
            (True, "2026-11-25T08:06:00Z"),
        ]

    def test_two_arms_behind_one_address_are_asked_once(self, plant: Plant) -> None:
        with controller() as (here, port):
            desk = with_addresses(plant, arm_07=f"tcp://127.0.0.1:{port}", arm_09=f"tcp://127.0.0.1:{port}")
            Prober(desk).probe()
            here.accept()[0].close()
            here.settimeout(0)
            with pytest.raises(BlockingIOError):
                here.accept()
        assert set(rows(desk)) == {"arm-07", "arm-09"}

    def test_an_arm_without_an_address_is_never_asked(self, plant: Plant) -> None:
        with controller() as (_, port):
            desk = with_addresses(plant, arm_07=f"tcp://127.0.0.1:{port}")
            Prober(desk).probe()
        assert set(rows(desk)) == {"arm-07"}

    def test_an_address_by_ipv6(self, plant: Plant) -> None:
        try:
            here = socket.create_server(("::1", 0), family=socket.AF_INET6)
        except OSError as error:
            pytest.skip(f"no IPv6 here: {error}")
        with here:
            desk = with_addresses(plant, arm_07=f"tcp://[::1]:{here.getsockname()[1]}")
            Prober(desk).probe()
        assert rows(desk)["arm-07"].doubt is None

    def test_a_name_is_looked_up_beside_and_asked_in_the_next_round(self, plant: Plant) -> None:
        with ExitStack() as stack:
            here, port = stack.enter_context(controller())
            desk = with_addresses(plant, arm_07=f"tcp://localhost:{port}")
            prober = Prober(desk)
            for _ in range(4):  # another place of the name after each failure
                prober.probe()
                prober.names.wait(10)
            here.accept()[0].close()
        assert rows(desk)["arm-07"].doubt is None

    def test_a_name_that_nobody_knows_is_doubt(self, plant: Plant) -> None:
        desk = with_addresses(plant, arm_07="tcp://no..name:80")
        prober = Prober(desk)
        for _ in range(4):
            prober.probe()
            prober.names.wait(10)
        doubt = rows(desk)["arm-07"].doubt
        assert doubt is not None
        assert doubt.startswith("the name no..name is not known: ")

    def test_whoever_does_not_answer_holds_nobody_up(self) -> None:
        with unanswering() as dead, controller() as (_, alive):
            places = {("dead", n): place(dead) for n in range(300)} | {("alive", n): place(alive) for n in range(300)}
            begun = monotonic()
            found = attempts(places, now, timeout_s=0.2)
        assert monotonic() - begun < 10
        assert {where[0]: tried.why for where, tried in found.items()} == {
            "dead": "no answer within 0.2 s",
            "alive": None,
        }
        assert len(found) == 600

    def test_a_thousand_in_one_thread_with_few_sockets(self, monkeypatch: pytest.MonkeyPatch) -> None:
        most: list[int] = []
        with controller() as (_, port):
            places = {("arm", n): place(port) for n in range(1000)}
            threads, before = threading.active_count(), open_files()

            def count() -> None:
                assert threading.active_count() == threads
                most.append(open_files() - before)

            monkeypatch.setattr(asking, "STEP_S", 0.01)
            begun = monotonic()
            found = attempts(places, now, count)
        assert monotonic() - begun < 20
        assert [tried.why for tried in found.values()] == [None] * 1000
        assert max(most) < 2 * asking.MOST_SOCKETS + 20  # both ends are in this process

    def test_a_stop_ends_the_round_at_once_and_leaves_no_socket_open(self) -> None:
        calls: list[float] = []

        def stopping() -> None:
            calls.append(monotonic())
            if len(calls) == 2:
                raise InterruptedError

        with unanswering() as dead:
            begun = monotonic()
            with pytest.raises(InterruptedError):
                attempts({("dead", 1): place(dead)}, now, stopping, timeout_s=60)
        assert monotonic() - begun < 10

    def test_a_port_that_is_connected_with_itself_answers_nothing(self) -> None:
        """With two ports to go out from, one attempt of a few is connected with itself."""
        few = 'ip link set lo up && echo "40000 40001" > /proc/sys/net/ipv4/ip_local_port_range && exec "$@"'
        words = (
            "unshare",
            "--map-root-user",
            "--net",
            "sh",
            "-c",
            few,
            "sh",
            sys.executable,
            "-c",
            CONNECT_WITH_ITSELF,
        )
        if (
            not all(map(shutil.which, ("unshare", "ip")))
            or subprocess.run([*words[:6], "sh", "true"], capture_output=True, check=False).returncode
        ):
            pytest.skip("this machine allows no network of one's own")
        done = subprocess.run(words, capture_output=True, text=True, check=True)
        assert set(json.loads(done.stdout)) == {"it is this program itself", "Connection refused"}


CONNECT_WITH_ITSELF = """
import json, socket
from guard.clock import now
from guard.service.presence import Place, attempts
places = {("arm", n): Place(socket.AF_INET, ("127.0.0.1", 40000)) for n in range(50)}
print(json.dumps([tried.why for tried in attempts(places, now).values()]))
"""


def test_changes_are_logged(plant: Plant, caplog: pytest.LogCaptureFixture) -> None:
    with controller() as (_, port), caplog.at_level(logging.INFO, "guard"):
        desk = with_addresses(plant, arm_07=f"tcp://127.0.0.1:{port}")
        prober = Prober(desk)
        prober.probe()
        prober.probe()
    (record,) = [each for each in caplog.records if each.message == "presence"]
    assert (record.facts["arm"], record.facts["answers"]) == ("arm-07", True)  # type: ignore[attr-defined]


def open_files() -> int:
    """How many files and sockets this process has open; 0 where the system does not tell."""
    return len(os.listdir("/proc/self/fd")) if os.path.isdir("/proc/self/fd") else 0
