"""The share goes, comes back, is another, can be read only or is full. Verdicts put themselves right again."""

from __future__ import annotations

import errno
import shutil
from collections.abc import Iterator
from datetime import timedelta
from pathlib import Path

import pytest

from guard.clock import now
from tests.faults.daemon import QUICK, Daemon, Witness, answers, has_logged, move_share, nothing_lost_or_doubled, until
from tests.faults.file_server import file_server
from tests.faults.machine import Mount, disk, mounted
from tests.plant import Plant, stamp

HOUR = timedelta(hours=1)


@pytest.fixture(params=["bind", "disk"])
def mount(request: pytest.FixtureRequest, bare: Plant, tmp_path: Path) -> Iterator[Mount]:
    """The share as a mount: a folder bound there, or a disk of its own."""
    lower = tmp_path / "lower"
    if request.param == "bind":
        lower.mkdir()
    with mounted("--bind", lower, at=bare.share) if request.param == "bind" else disk(lower, bare.share) as mount:
        bare.init()
        yield mount


def test_unmounted_and_back(bare: Plant, mount: Mount) -> None:
    path = bare.save("arm-07")
    with Daemon(bare) as daemon, Witness(bare) as witness:
        until("it is clear", answers(bare, "clear"))
        mount.unmount()
        with witness.during("away"):
            until("it is noticed", has_logged(daemon, "share-refused"))
        mount.mount()
        newer = bare.save("arm-07", HOUR)
        until("it is clear again", answers(bare, "clear", path=newer))
    assert witness.verdicts("away") <= {"hold", "unknown"}
    nothing_lost_or_doubled(bare, path, newer)


def test_replaced_by_another(plant: Plant, tmp_path: Path) -> None:
    path = plant.save("arm-07")
    other = Plant(tmp_path / "other")
    other.save("arm-07", HOUR)
    other.init()
    with Daemon(plant) as daemon, Witness(plant) as witness:
        until("it is clear", answers(plant, "clear"))
        with mounted("--bind", other.share, at=plant.share), witness.during("another"):
            until("it is noticed", has_logged(daemon, "another share's"))
        newer = plant.save("arm-07", 2 * HOUR)
        until("it is clear again", answers(plant, "clear", path=newer))
    assert witness.verdicts("another") <= {"hold", "unknown"}
    nothing_lost_or_doubled(plant, path, newer)


def test_renamed_away_and_back(plant: Plant) -> None:
    """The folder that is watched is gone itself, and one of that name comes back."""
    path = plant.save("arm-07")
    with Daemon(plant) as daemon, Witness(plant) as witness:
        until("it is clear", answers(plant, "clear"))
        elsewhere = plant.share.rename(plant.root / "elsewhere")
        with witness.during("away"):
            until("it is noticed", has_logged(daemon, "share-refused"))
        elsewhere.rename(plant.share)
        newer = plant.save("arm-07", HOUR)
        until("it is clear again", answers(plant, "clear", path=newer))
    assert witness.verdicts("away") == {"unknown"}
    nothing_lost_or_doubled(plant, path, newer)


def test_read_only(bare: Plant, tmp_path: Path) -> None:
    """What can be read is judged as ever; a sheet that cannot be hung there is told and holds up nothing."""
    bare.configure(QUICK + "\n[warnings]\nsheets-on-share = true\n")
    with disk(tmp_path / "image", bare.share) as mount:
        bare.init()
        path = bare.save("arm-07")
        (bare.share / "arm-09").mkdir()
        with Daemon(bare) as daemon, Witness(bare) as witness:
            until("it is clear", answers(bare, "clear"))
            mount.mount("-o", "remount,ro")
            with witness.during("read-only"):
                shutdown = ("--kind", "power-down", "--start", "in 3h", "--for", "8h", "--arm", "arm-09")
                assert bare.run("event", "add", *shutdown).code == 0
                until("it is told", has_logged(daemon, "Read-only file system"))
                daemon.passes()
            mount.mount("-o", "remount,rw")
            newer = bare.save("arm-07", HOUR)
            until("it is clear again", answers(bare, "clear", path=newer))
            until("the sheet hangs", lambda: [each.suffix for each in (bare.share / "arm-09").iterdir()] == [".html"])
        assert witness.verdicts("read-only") == {"clear"}
        nothing_lost_or_doubled(bare, path, newer)


def test_full(bare: Plant) -> None:
    """A backup that found no room is no backup until it is saved whole."""
    with mounted("-t", "tmpfs", "-o", "size=400k", "tmpfs", at=bare.share):
        bare.init()
        path = bare.save("arm-07")
        (bare.share / "ballast.bin").write_bytes(bytes(256 << 10))
        with Daemon(bare) as daemon, Witness(bare) as witness:
            until("the older set is read back", answers(bare, "clear"))
            half = f"arm-07/{stamp(now() - 2 * HOUR)}"
            with pytest.raises(OSError, match="No space left") as full:
                bare.save("arm-07", 2 * HOUR, name=half.removeprefix("arm-07/"))
            assert full.value.errno == errno.ENOSPC
            with witness.during("full"):
                until("it is noticed", has_logged(daemon, "set-incomplete"))
            (bare.share / "ballast.bin").unlink()
            shutil.rmtree(bare.share / half)
            newer = bare.save("arm-07", HOUR)
            until("it is clear again", answers(bare, "clear", path=newer))
        assert "clear" not in witness.verdicts("full")
        nothing_lost_or_doubled(bare, path, newer, besides={(half, "settled"): 1, (half, "gone"): 1})


def test_a_file_server_dies_and_returns(plant: Plant, tmp_path: Path) -> None:
    path = plant.save("arm-07")
    with file_server(tmp_path / "smb", plant.share) as server:
        move_share(plant, server.share)
        with Daemon(plant) as daemon, Witness(plant) as witness:
            until("it is clear", answers(plant, "clear"))
            server.die()
            newer = plant.save("arm-07", HOUR)
            with witness.during("dead"):
                until("it is noticed", has_logged(daemon, "share-refused"))
            server.serve()
            until("it is clear again", answers(plant, "clear", path=newer))
        assert witness.verdicts("dead") == {"unknown"}
        nothing_lost_or_doubled(plant, path, newer)
