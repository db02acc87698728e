"""More at once than events can tell: 10,000 files, a queue that overflows, a limit that is reached."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from signal import SIGCONT, SIGSTOP

import pytest

from tests.faults.daemon import Daemon, Witness, answers, has_logged, nothing_lost_or_doubled, rows, until
from tests.faults.machine import needs
from tests.plant import Plant, content

HOUR = timedelta(hours=1)


def test_ten_thousand_files_at_once(plant: Plant) -> None:
    # A copy that pauses for a moment on a busy machine is no finished one.
    plant.config.write_text(plant.config.read_text(encoding="utf-8").replace('settle = "0s"', 'settle = "2s"'), "utf-8")
    path = plant.save("arm-07")
    many = content("arm-07", "burst") | {f"programs/{n:05}.txt": b"move %d\n" % n for n in range(10_000)}
    with Daemon(plant), Witness(plant) as witness:
        until("it is clear", answers(plant, "clear"))
        with witness.during("arriving"):
            newer = plant.save("arm-07", HOUR, files=many)
            until("it is clear again", answers(plant, "clear", path=newer))
    assert all(answer.set in (None, path, newer) for answer in witness.given("arriving"))
    nothing_lost_or_doubled(plant, path, newer)
    assert [each["files"] for each in plant.sets()] == [6, len(many)]


def test_the_event_queue_overflows(plant: Plant) -> None:
    """What was lost in the overflow is made good by a look; ten minutes without one would be noticed here."""
    limit = Path("/proc/sys/fs/inotify/max_queued_events")
    most = int(limit.read_text()) if limit.exists() else 0
    if not 0 < most <= 100_000:
        pytest.skip("no event queue here that a test can fill")
    plant.configure('\n[service]\nreconcile = "10m"\npoll = "10m"\n')
    path = plant.save("arm-07")
    one, two = plant.share / "arm-09" / "one", plant.share / "arm-09" / "two"
    one.mkdir(parents=True)
    with Daemon(plant) as daemon:
        until("it is clear", answers(plant, "clear"))
        assert daemon.process is not None
        daemon.process.send_signal(SIGSTOP)
        for _ in range(most // 2):
            one.rename(two)
            two.rename(one)
        newer = plant.save("arm-07", HOUR)
        one.rmdir()
        daemon.process.send_signal(SIGCONT)
        until("it is clear again", answers(plant, "clear", path=newer))
        assert "max_queued_events" in daemon.log
    nothing_lost_or_doubled(plant, path, newer)


def test_the_watch_limit_is_reached(plant: Plant) -> None:
    """Where not all folders can be watched, it looks by itself instead, and says so."""
    needs("unshare")
    plant.configure('\n[service]\nreconcile = "10m"\npoll = "1s"\n')
    path = plant.save("arm-07")
    few = 'echo 2 > /proc/sys/user/max_inotify_watches && exec "$@"'
    limited = ("unshare", "--user", "--map-root-user", "sh", "-c", few, "sh")
    if plant.program(*limited, "true").code != 0:
        pytest.skip("no user namespace to be had, in which the limit could be lowered")
    with Daemon(plant, before=limited) as daemon:
        until("it is clear", answers(plant, "clear"))
        newer = plant.save("arm-07", HOUR)
        until("it is clear again", answers(plant, "clear", path=newer))
        until("it is said", has_logged(daemon, "watch-in-doubt"))
        details = dict(rows(plant, "SELECT part, detail FROM heartbeats"))
    assert "max_inotify_watches" in details["looking"]
    nothing_lost_or_doubled(plant, path, newer)
