"""`guard init`: writes a configuration once, gives the share its marker, and says what is lost where it cannot."""

from __future__ import annotations

import json
import os
import subprocess
import tomllib
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.plant import Plant, Result
from tests.terminal import ON_POSIX, Terminal

MARKER = ".guard-share.json"
LOST = (
    "Without a marker another share mounted in this place, or an empty folder, would be taken for this one;"
    " every verdict stays at caution (share-doubt) until the share has one."
)


@pytest.fixture
def unwritten(tmp_path: Path) -> Plant:
    """A plant whose share holds sets and whose configuration nobody has written."""
    plant = Plant(tmp_path / "plant")
    plant.config.unlink()
    for arm in plant.arms:
        plant.save(arm)
    return plant


def init(plant: Plant, *words: str, share: Path | str | None = None, folder: Path | None = None) -> Result:
    return plant.run("init", str(folder or plant.root), "--share", str(share or plant.share), "--yes", *words)


def identity(share: Path) -> str:
    found: str = json.loads((share / MARKER).read_bytes())["identity"]
    return found


def test_it_writes_a_configuration_that_a_look_can_use_and_the_marker(unwritten: Plant) -> None:
    done = init(unwritten)

    assert done.code == 0, done
    toml = tomllib.loads(unwritten.config.read_text(encoding="utf-8"))
    assert toml["share"]["path"] == "share"
    assert [arm["id"] for arm in toml["arms"]] == list(unwritten.arms)
    assert len(identity(unwritten.share)) == 32
    unwritten.look("--wait", "0s")
    assert len(unwritten.sets("arm-07")) == 1


def test_the_configuration_names_the_share_from_where_it_stands(unwritten: Plant) -> None:
    elsewhere = unwritten.root / "config" / "of" / "guard"

    done = init(unwritten, folder=elsewhere, share="share")

    assert done.code == 0, done
    written = (elsewhere / "guard.toml").read_text(encoding="utf-8")
    assert tomllib.loads(written)["share"]["path"] == os.path.join("..", "..", "..", "share")


def test_a_configuration_that_is_there_stays_byte_for_byte(unwritten: Plant) -> None:
    unwritten.configure()
    text = unwritten.config.read_bytes() + b"# mine, with odd spaces  \r\n"
    unwritten.config.write_bytes(text)
    before = unwritten.config.stat()

    first, second = init(unwritten), init(unwritten)

    assert (first.code, second.code) == (0, 0)
    assert unwritten.config.read_bytes() == text
    assert unwritten.config.stat().st_mtime_ns == before.st_mtime_ns
    assert f"{unwritten.config} is there already and stays as it is." in first.out
    assert "Wrote the share's marker, by which it is known again." in first.out
    assert "The share has its marker already." in second.out


def test_a_second_init_keeps_the_identity_of_the_share(unwritten: Plant) -> None:
    init(unwritten)
    before = identity(unwritten.share)

    init(unwritten)

    assert identity(unwritten.share) == before


def test_nothing_is_written_where_nothing_can_be_proposed(tmp_path: Path) -> None:
    plant = Plant(tmp_path / "plant")
    plant.config.unlink()

    done = init(plant)

    assert (done.code, done.out) == (2, "")
    assert [path.name for path in plant.root.rglob("*")] == ["share"]


def test_nothing_is_written_where_the_share_is_not_there(unwritten: Plant) -> None:
    done = init(unwritten, share=unwritten.root / "unmounted")

    assert (done.code, done.out) == (1, "")
    assert done.err.startswith(f"The share {unwritten.root / 'unmounted'} cannot be read: ")
    assert not unwritten.config.exists()


def test_without_a_terminal_it_wants_a_yes_and_changes_nothing(unwritten: Plant) -> None:
    done = unwritten.run("init", str(unwritten.root), "--share", str(unwritten.share))

    assert (done.code, done.out) == (2, "")
    assert "--yes" in done.err
    assert not unwritten.config.exists()
    assert not (unwritten.share / MARKER).exists()


@ON_POSIX
@pytest.mark.parametrize("typed", [b"n\n", b"\n", b"\x04", b"\xff\n"], ids=["no", "nothing", "ctrl-d", "no-text"])
def test_whoever_does_not_agree_is_told_that_nothing_was_changed(unwritten: Plant, typed: bytes) -> None:
    with Terminal(unwritten, "init", str(unwritten.root), "--share", str(unwritten.share)) as terminal:
        terminal.until(r"Go on\? \[y/N\] ")
        terminal.type_bytes(typed)
        terminal.until("Nothing was changed.")
        assert terminal.wait() == 2
    assert not unwritten.config.exists()
    assert not (unwritten.share / MARKER).exists()


def test_another_share_gets_a_marker_once_and_never_a_second(unwritten: Plant) -> None:
    init(unwritten)
    other = unwritten.root / "copies"
    other.mkdir()

    first = init(unwritten, share=other)
    before = identity(other)
    second = init(unwritten, share=other)

    assert (first.code, second.code) == (0, 0)
    assert f"Mind that guard.toml names another share: {unwritten.share}." in first.out
    assert "That share has a marker already." in second.out
    assert identity(other) == before


def test_an_unreadable_marker_is_replaced_only_where_that_is_meant(unwritten: Plant) -> None:
    init(unwritten)
    (unwritten.share / MARKER).write_bytes(b"\0\0\0")

    refused, adopted = init(unwritten), init(unwritten, "--adopt")

    assert (refused.code, adopted.code) == (2, 0)
    assert len(identity(unwritten.share)) == 32
    unwritten.look("--wait", "0s")


def test_a_folder_that_cannot_be_made_is_told(unwritten: Plant) -> None:
    (unwritten.root / "file").write_bytes(b"")

    done = init(unwritten, folder=unwritten.root / "file" / "below")

    assert done.code == 1
    assert done.err.startswith(f"{unwritten.root / 'file' / 'below' / 'guard.toml'} cannot be used: ")


@pytest.fixture
def read_only(unwritten: Plant) -> Iterator[Plant]:
    """The same plant with its share mounted read-only, since tests may run as a user whom no mode stops."""
    share = str(unwritten.share)
    try:
        subprocess.run(["mount", "--bind", share, share], check=True, capture_output=True)
    except (OSError, subprocess.CalledProcessError):
        pytest.skip("no read-only mount can be made here")
    try:
        remount = ["mount", "-o", "remount,ro,bind", share]
        if subprocess.run(remount, check=False, capture_output=True).returncode != 0:
            pytest.skip("no read-only mount can be made here")
        yield unwritten
    finally:
        subprocess.run(["umount", share], check=True, capture_output=True)


def test_a_share_that_cannot_be_written_is_looked_after_and_what_is_lost_is_told(read_only: Plant) -> None:
    done = init(read_only)

    assert done.code == 0, done
    assert f"The share's marker could not be written (Read-only file system). {LOST}" in done.out
    assert read_only.config.exists()
    assert not (read_only.share / MARKER).exists()
    read_only.look("--wait", "0s")
    assert "share-doubt" in read_only.ask("arm-07").codes
