"""SHA256SUMS within a set: made by the real sha256sum, and judged as its --check would."""

from __future__ import annotations

import os
import subprocess
from pathlib import Path

import pytest

from tests.plant import Plant, content
from tests.reading import ANYTHING, faults, sealed

LIST = "SHA256SUMS"
NAMES = (b"memory.bin", b"programs/main.txt", b"with space", b"-dash", b"*star", b"back\\slash", b"new\nline")
NAMES += (b"carriage\rreturn", b"no utf-8 \xff", "gr\u00fc\u00dfe".encode(), b"\\begins", b" spaces ")
ZERO = b"0" * 64


def written(folder: Path) -> Path:
    """A set with names that a list has trouble with."""
    for name in NAMES:
        where = os.path.join(os.fsencode(folder), name)
        os.makedirs(os.path.dirname(where), exist_ok=True)
        with open(where, "wb") as file:
            file.write(b"content of " + name)
    return folder


def listed(folder: Path, pipeline: str) -> bytes:
    """What a pipeline writes into the set's list; also what it holds."""
    where = folder.parent / LIST
    subprocess.run(f"{pipeline} > ../{LIST}", shell=True, cwd=folder, check=True)  # noqa: S602
    return where.rename(folder / LIST).read_bytes()


def accepted_by_sha256sum(folder: Path) -> bool:
    """Whether the real program takes every line, and every file, for right."""
    done = subprocess.run(["sha256sum", "--check", "--strict", LIST], cwd=folder, capture_output=True, check=False)
    return done.returncode == 0


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A set with a list that fits it."""
    folder = written(tmp_path / "set")
    listed(folder, r"find . -type f -printf '%P\0' | xargs -0 sha256sum --")
    return folder


class TestMadeByTheProgram:
    """Whatever way the real sha256sum writes a list, a set that it fits is complete."""

    @pytest.mark.parametrize(
        "pipeline",
        [
            pytest.param(r"find . -type f -printf '%P\0' | xargs -0 sha256sum --", id="plain"),
            pytest.param("find . -type f -exec sha256sum -- {} +", id="leading-dot"),
            pytest.param(r"find . -type f -printf '%P\0' | xargs -0 sha256sum --binary --", id="binary-star"),
            pytest.param(r"sha256sum memory.bin | sed 's/^[0-9a-f]*/\U&/'", id="capitals"),
            pytest.param("sha256sum memory.bin", id="one-file-of-many"),
            pytest.param(r"sha256sum memory.bin with\ space | sed 's/$/\r/'", id="lines-end-in-crlf"),
            pytest.param("sha256sum memory.bin | head -c -1", id="without-last-newline"),
        ],
    )
    def test_it_fits(self, pipeline: str, tmp_path: Path) -> None:
        folder = written(tmp_path / "set")
        text = listed(folder, pipeline)

        assert text
        assert faults(sealed(folder, ANYTHING)) == []
        assert accepted_by_sha256sum(folder)

    @pytest.mark.parametrize("name", [pytest.param(name, id=repr(name)[2:-1]) for name in NAMES])
    def test_a_file_that_differs(self, name: bytes, folder: Path) -> None:
        with open(os.path.join(os.fsencode(folder), name), "ab") as file:
            file.write(b".")

        assert faults(sealed(folder)) == [f"{os.fsdecode(name)} differs from {LIST}"]
        assert not accepted_by_sha256sum(folder)

    @pytest.mark.parametrize("name", [pytest.param(name, id=repr(name)[2:-1]) for name in NAMES])
    def test_a_file_that_is_missing(self, name: bytes, folder: Path) -> None:
        os.remove(os.path.join(os.fsencode(folder), name))

        assert faults(sealed(folder)) == [f"{os.fsdecode(name)} is missing, {LIST} names it"]
        assert not accepted_by_sha256sum(folder)

    def test_in_an_archive_it_counts_too(self, folder: Path) -> None:
        (folder / "memory.bin").write_bytes(b"another")
        subprocess.run(["tar", "-czf", "../set.tgz", "."], cwd=folder, check=True)

        assert faults(sealed(folder.parent / "set.tgz")) == [f"memory.bin differs from {LIST}"]


class TestLines:
    """A line that is no checksum line is told with its number, and a list without any is no proof of anything."""

    @pytest.mark.parametrize(
        "line",
        [
            pytest.param(b"memory.bin", id="only-a-name"),
            pytest.param(ZERO, id="only-a-digest"),
            pytest.param(ZERO + b"  ", id="no-name"),
            pytest.param(ZERO + b" memory.bin", id="one-space"),
            pytest.param(ZERO + b"\t\tmemory.bin", id="tabs"),
            pytest.param(ZERO[1:] + b"  memory.bin", id="digest-too-short"),
            pytest.param(ZERO + b"0  memory.bin", id="digest-too-long"),
            pytest.param(b"g" * 64 + b"  memory.bin", id="no-hex"),
            pytest.param(b" " + ZERO + b"  memory.bin", id="leading-space"),
            pytest.param(b"\xef\xbb\xbf" + ZERO + b"  memory.bin", id="byte-order-mark"),
            pytest.param(b"SHA1 (memory.bin) = " + b"0" * 40, id="another-algorithm"),
            pytest.param("\u0660".encode() * 64 + b"  memory.bin", id="digits-of-another-script"),
            pytest.param(b"", id="empty"),
        ],
    )
    def test_a_malformed_line(self, line: bytes, folder: Path) -> None:
        lines = (folder / LIST).read_bytes().splitlines(keepends=True)
        (folder / LIST).write_bytes(b"".join([lines[0], line + b"\n", *lines[1:]]))

        assert faults(sealed(folder)) == [f"{LIST} line 2 is no checksum line"]

    @pytest.mark.parametrize("text", [pytest.param(b"", id="no-byte"), pytest.param(b"   ", id="only-spaces")])
    def test_an_empty_list(self, text: bytes, folder: Path) -> None:
        (folder / LIST).write_bytes(text)

        assert faults(sealed(folder))[0] == f"{LIST} is empty"
        assert not accepted_by_sha256sum(folder)

    @pytest.mark.parametrize(
        "name",
        [
            pytest.param(b"../outside", id="above"),
            pytest.param(b"/etc/hostname", id="absolute"),
            pytest.param(b"programs", id="a-folder"),
        ],
    )
    def test_a_name_that_is_no_file_of_the_set(self, name: bytes, folder: Path) -> None:
        (folder.parent / "outside").write_bytes(b"x")
        (folder / LIST).write_bytes(ZERO + b"  " + name + b"\n")

        assert faults(sealed(folder)) == [f"{name.decode()} is missing, {LIST} names it"]

    def test_a_name_that_stands_twice_must_be_right_twice(self, folder: Path) -> None:
        text = (folder / LIST).read_bytes()
        (folder / LIST).write_bytes(text + ZERO + b"  memory.bin\n")

        assert faults(sealed(folder)) == [f"memory.bin differs from {LIST}"]

    def test_a_list_deeper_in_the_set_is_a_file_like_others(self, folder: Path) -> None:
        (folder / "programs" / LIST).write_bytes(b"no line of a list")

        assert faults(sealed(folder)) == []

    def test_a_list_too_large_to_be_read_is_told(self, folder: Path) -> None:
        with (folder / LIST).open("wb") as file:
            file.truncate((16 << 20) + 1)

        assert faults(sealed(folder)) == [f"{LIST} is too large to be read"]


def test_through_the_command_line(plant: Plant) -> None:
    """A set that differs from its own list is no backup, and the screen says which file."""
    path = plant.save("arm-07")
    listed(plant.share / path, "find . -type f -exec sha256sum {} +")
    plant.init()
    plant.look()
    (fits,) = plant.sets()
    other = plant.save("arm-09", files=content("arm-09") | {LIST: ZERO + b"  memory.bin\n"})
    plant.look()

    (differs,) = plant.sets("arm-09")

    assert (fits["proof"], fits["problems"]) == ("complete", [])
    assert (differs["path"], differs["proof"]) == (other, "settled")
    assert differs["problems"] == [{"code": "incomplete-set", "message": f"memory.bin differs from {LIST}"}]
