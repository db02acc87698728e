"""Carrying a set to a medium that is pulled out, full, cut off, small-minded about names, or while the copy is killed."""

from __future__ import annotations

import os
import random
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import bagit
import pytest

from tests.faults.daemon import move_share, until
from tests.faults.faulty import faulty
from tests.faults.machine import cut_power, disk, may_mount, mounted, needs, run
from tests.plant import Plant, Result, content
from tests.reading import faults, sealed

FILES = 120


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> Plant:
    """A plant in which arm-07 has one proven set of many files; not to be changed."""
    made = Plant(tmp_path_factory.mktemp("kept") / "plant")
    made.save("arm-07", files=content("arm-07") | {f"programs/p{n:03}.txt": bytes([n]) * 20_000 for n in range(FILES)})
    made.ready()
    return made


@pytest.fixture
def plant(kept: Plant, tmp_path: Path) -> Plant:
    """That plant once more."""
    return kept.copy(tmp_path / "plant")


@pytest.fixture
def usb(tmp_path: Path) -> Path:
    """Where a medium is mounted."""
    folder = tmp_path / "usb"
    folder.mkdir()
    return folder


@contextmanager
def carrying(plant: Plant, usb: Path) -> Iterator[subprocess.Popen[bytes]]:
    """A `guard carry` that runs meanwhile."""
    command = (sys.executable, "-m", "guard", "carry", "arm-07", str(usb))
    env = {**os.environ, "GUARD_CONFIG": str(plant.config)}
    with subprocess.Popen(
        command, env=env, cwd=plant.root, stdin=subprocess.DEVNULL, stdout=subprocess.PIPE, stderr=subprocess.PIPE
    ) as process:
        try:
            yield process
        finally:
            process.kill()


def ended(process: subprocess.Popen[bytes]) -> Result:
    """What it gave once it has ended by itself."""
    out, err = process.communicate(timeout=60)
    return Result(subprocess.CompletedProcess((), process.returncode, out, err))


def copied(usb: Path) -> int:
    """How many files of the set have their names on the medium."""
    return sum(1 for _ in usb.glob("*.incomplete/data/programs/p*"))


def is_ahead(process: subprocess.Popen[bytes], usb: Path, files: int) -> Callable[[], bool]:
    """Whether so many files are copied, or all of it is over."""
    return lambda: copied(usb) >= files or process.poll() is not None


def whole(plant: Plant, usb: Path) -> None:
    """The one bag there is valid for everybody, is the set, and nothing else lies beside it but the sheet."""
    (bag,) = (each for each in usb.iterdir() if each.is_dir() and each.name.startswith("arm-07_"))
    assert not bag.name.endswith(".incomplete")
    bagit.Bag(str(bag)).validate()
    assert faults(sealed(bag)) == []
    assert sealed(bag / "data").fingerprint == plant.sets()[0]["fingerprint"]
    assert {each.name for each in usb.iterdir()} - {"lost+found"} == {bag.name, f"{bag.name}.html"}


def test_killed_at_any_moment_it_is_taken_up_again(plant: Plant, usb: Path) -> None:
    """What stands there is never taken for a bag before it is one, and never written over."""
    moments = sorted(random.sample(range(1, FILES), 4))
    print(moments)
    for moment in moments:
        with carrying(plant, usb) as process:
            until("it is under way", is_ahead(process, usb, moment), every=0.001)
        if process.returncode == 0:
            break
        (partly,) = usb.iterdir()
        assert partly.name.endswith(".incomplete")
        assert not (partly / "bagit.txt").exists() or not copied(usb) < FILES
        before = {each: each.stat().st_mtime_ns for each in partly.glob("data/programs/*")}
    done = plant.run("carry", "arm-07", str(usb))
    assert done.code == 0, done
    whole(plant, usb)
    (bag,) = (each for each in usb.iterdir() if each.is_dir())
    assert {path.name: (bag / "data/programs" / path.name).stat().st_mtime_ns for path in before} == {
        path.name: time for path, time in before.items()
    }


def test_two_at_once_do_not_meet(plant: Plant, usb: Path) -> None:
    with carrying(plant, usb) as first:
        until("it is under way", is_ahead(first, usb, 1), every=0.001)
        second = plant.run("carry", "arm-07", str(usb))
        assert ended(first).code == 0
    assert second.code == 0 or "another guard carry is writing there" in second.err
    whole(plant, usb)


def test_a_medium_that_is_pulled_out_is_told_and_taken_up_again(plant: Plant, tmp_path: Path, usb: Path) -> None:
    with disk(tmp_path / "image", usb) as mount:
        with carrying(plant, usb) as process:
            until("it is under way", is_ahead(process, usb, 10), every=0.001)
            mount.unmount()
            done = ended(process)
        assert done.code == 1, done
        assert "the medium failed or was pulled out (No such file or directory)" in done.err
        assert list(usb.iterdir()) == []  # nothing went to where the medium had been
        mount.mount()
        again = plant.run("carry", "arm-07", str(usb))
        assert again.code == 0, again
        whole(plant, usb)


def test_a_medium_that_fails_in_the_middle_is_told_and_taken_up_again(plant: Plant, tmp_path: Path, usb: Path) -> None:
    with disk(tmp_path / "image", usb) as mount:
        with carrying(plant, usb) as process:
            until("it is under way", is_ahead(process, usb, 10), every=0.001)
            cut_power(mount)
            done = ended(process)
        assert done.code == 1, done
        assert "the medium failed or was pulled out (Input/output error)" in done.err
        assert f" of {FILES + 6} files: " in done.err
        mount.unmount()
        mount.mount()
        again = plant.run("carry", "arm-07", str(usb))
        assert again.code == 0, again
        assert "Taken up again and finished: " in again.out
        whole(plant, usb)


def test_what_was_told_to_be_copied_outlasts_a_power_cut(plant: Plant, tmp_path: Path, usb: Path) -> None:
    with disk(tmp_path / "image", usb) as mount:
        done = plant.run("carry", "arm-07", str(usb))
        assert done.code == 0, done
        cut_power(mount)
        mount.unmount()
        mount.mount()
        whole(plant, usb)
        assert "Already there: " in plant.run("carry", "arm-07", str(usb)).out


def test_a_medium_without_room_is_refused_before_anything_is_written(plant: Plant, usb: Path) -> None:
    with mounted("-t", "tmpfs", "-o", "size=2M", "tmpfs", at=usb):
        done = plant.run("carry", "arm-07", str(usb))
        assert done.code == 2, done
        assert "it has 2 MiB free and " in done.err
        assert list(usb.iterdir()) == []


def test_a_medium_that_others_fill_meanwhile_is_told_and_taken_up_again(plant: Plant, usb: Path) -> None:
    with mounted("-t", "tmpfs", "-o", "size=8M", "tmpfs", at=usb):
        ballast = usb / "others.bin"
        with carrying(plant, usb) as process:
            until("it is under way", is_ahead(process, usb, 1), every=0.001)
            process.send_signal(19)  # SIGSTOP: so that the others are faster
            with pytest.raises(OSError, match="No space left"):
                ballast.write_bytes(bytes(9 << 20))
            process.send_signal(18)
            done = ended(process)
        assert done.code == 1, done
        assert ": the medium is full. It is no restore medium yet." in done.err
        ballast.unlink()
        again = plant.run("carry", "arm-07", str(usb))
        assert again.code == 0, again
        whole(plant, usb)


def test_a_medium_that_cannot_be_written_is_told(plant: Plant, usb: Path) -> None:
    with mounted("-t", "tmpfs", "-o", "ro", "tmpfs", at=usb):
        done = plant.run("carry", "arm-07", str(usb))
        assert done.code == 1, done
        assert "the medium cannot be written to (it is read-only)" in done.err


@contextmanager
def in_user_space(kind: str, image: Path, at: Path) -> Iterator[None]:
    """A medium with a file system of that kind, by the drivers in user space."""
    programs = {
        "exfat": ("mkfs.exfat", "mount.exfat-fuse"),
        "vfat": ("mkfs.vfat", "fusefat"),
        "ntfs": ("mkfs.ntfs", "ntfs-3g"),
    }
    needs(*programs[kind], "losetup")
    may_mount()
    if not os.access("/dev/fuse", os.R_OK | os.W_OK):
        pytest.skip("no file systems in user space here")
    run("truncate", "-s", "64M", image)
    run(programs[kind][0], *{"exfat": (), "vfat": ("-F", "32"), "ntfs": ("-F", "-q")}[kind], image)
    if kind == "vfat":
        run("fusefat", "-o", "rw+", image, at)
        device = ""
    else:
        found = subprocess.run(("losetup", "--find", "--show", image), capture_output=True, text=True, check=False)
        if found.returncode != 0:
            pytest.skip(f"no loop device to be had: {found.stderr.strip()}")
        device = found.stdout.strip()
        run(programs[kind][1], device, at)
    try:
        yield
    finally:
        run("umount", at)
        if device:
            run("losetup", "--detach", device)


@pytest.mark.parametrize("name", ["programs/p050.txt", "memory.bin"])
def test_a_share_that_fails_in_the_middle_is_told_and_taken_up_again(
    plant: Plant, tmp_path: Path, usb: Path, name: str
) -> None:
    path = plant.sets()[0]["path"]
    with faulty(plant.share, tmp_path / "mnt", tmp_path / "control") as fails:
        move_share(plant, tmp_path / "mnt")
        fails.fail(f"{path}/{name}", "read", "EIO")
        done = plant.run("carry", "arm-07", str(usb))
        assert done.code == 1, done
        assert f"cannot be read: {path}: {name} cannot be read: Input/output error" in done.err
        assert plant.sets()[0]["proof"] == "read-back"
        fails.clear()
        again = plant.run("carry", "arm-07", str(usb))
        assert "Taken up again and finished: " in again.out
        whole(plant, usb)


def test_a_driver_that_loses_files_is_noticed(plant: Plant, tmp_path: Path, usb: Path) -> None:
    """That of FAT in user space forgets what is in a folder when the folder is renamed."""
    with in_user_space("vfat", tmp_path / "image", usb):
        done = plant.run("carry", "arm-07", str(usb))
        if done.code == 0:
            whole(plant, usb)
            pytest.skip("this driver renames folders as it should")
        assert (done.code, " is missing since the bag got its name" in done.err) == (20, True), done
        assert plant.run("carry", "arm-07", str(usb)).code == 20


class TestOnTheFileSystemsOfMedia:
    @pytest.mark.parametrize("kind", ["exfat", "ntfs"])
    def test_a_set_is_carried_whole(self, kind: str, plant: Plant, tmp_path: Path, usb: Path) -> None:
        with in_user_space(kind, tmp_path / "image", usb):
            done = plant.run("carry", "arm-07", str(usb))
            assert done.code == 0, done
            whole(plant, usb)
            assert "Already there: " in plant.run("carry", "arm-07", str(usb)).out

    @pytest.mark.parametrize("kind", ["exfat", "vfat", "ntfs"])
    @pytest.mark.parametrize(
        ("names", "why"),
        [
            pytest.param(("seam: 4.txt",), "holds the reserved sign ':'", id="reserved"),
            pytest.param(("Seam.txt", "seam.txt"), "differs from 'programs/Seam.txt' only in small and", id="case"),
            pytest.param(("seam.",), "ends in a point or a space", id="point"),
        ],
    )
    def test_names_that_it_cannot_hold_are_told_before_anything_is_written(
        self, kind: str, names: tuple[str, ...], why: str, tmp_path: Path, usb: Path
    ) -> None:
        plant = Plant(tmp_path / "other")
        plant.save("arm-07", files=content("arm-07") | {f"programs/{name}": b"x" for name in names})
        plant.ready()
        with in_user_space(kind, tmp_path / "image", usb):
            done = plant.run("carry", "arm-07", str(usb))
            assert done.code == 2, done
            assert why in done.err
            assert list(usb.iterdir()) == []
