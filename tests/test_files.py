"""Whole files, and names that are on the disk."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from guard.files import force_names, write_whole


def test_what_is_written_replaces_the_old_file_and_leaves_nothing_beside_it(tmp_path: Path) -> None:
    for content in (b"old", b"", b"new"):
        write_whole(str(tmp_path / "file"), content)
        assert (tmp_path / "file").read_bytes() == content
    assert os.listdir(tmp_path) == ["file"]


@pytest.mark.skipif(not os.path.isdir("/proc/self"), reason="takes a file system that forces no folder to a disk")
def test_a_file_system_that_cannot_force_the_names_of_one_folder_is_no_failure() -> None:
    handle = os.open("/proc", os.O_RDONLY)
    with pytest.raises(OSError, match="Invalid argument"):
        os.fsync(handle)
    os.close(handle)

    force_names("/proc")


def test_a_folder_that_is_gone_is_a_failure(tmp_path: Path) -> None:
    if hasattr(os, "O_DIRECTORY"):
        with pytest.raises(FileNotFoundError):
            force_names(str(tmp_path / "gone"))
