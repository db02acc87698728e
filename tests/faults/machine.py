"""What a fault needs of the machine: mounts that vanish with the tests, disks in files.

Everything here skips the test, saying why, where the machine lacks it.
"""

from __future__ import annotations

import ctypes
import fcntl
import os
import shutil
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from functools import cache
from pathlib import Path

import pytest

CLONE_NEWNS = 0x00020000  # linux/sched.h
EXT4_IOC_SHUTDOWN = 0x8004587D  # linux/ext4.h: _IOR('X', 125, __u32)
EXT4_GOING_FLAGS_NOLOGFLUSH = 2  # what stands in memory only is lost, as in a power cut


def needs(*programs: str) -> None:
    """Skip where one of the programs is not there."""
    missing = [program for program in programs if shutil.which(program) is None]
    if missing:
        pytest.skip(f"this machine has no {', '.join(missing)}")


def run(*words: str | Path) -> None:
    """Run a program of the system that has to succeed."""
    done = subprocess.run(words, capture_output=True, stdin=subprocess.DEVNULL, check=False)
    assert done.returncode == 0, (words, done.stderr)


def may_mount() -> None:
    """See to it that mounts of this process and its children are theirs alone and go with them; else skip."""
    needs("mount", "umount")
    if sys.platform != "linux" or os.geteuid() != 0:
        pytest.skip("only root of a Linux machine can mount")
    hindrance = _leave_common_mounts()
    if hindrance:
        pytest.skip(f"no mounts of our own here: {hindrance}")


@cache
def _leave_common_mounts() -> str:
    libc = ctypes.CDLL(None, use_errno=True)
    if libc.unshare(CLONE_NEWNS) != 0:
        return os.strerror(ctypes.get_errno())
    run("mount", "--make-rprivate", "/")
    return ""


class Mount:
    """A mount that a test can take away and bring back."""

    def __init__(self, *words: str | Path, at: Path) -> None:
        """``words`` are what `mount` is called with, but for the place."""
        may_mount()
        self.words, self.at, self.is_there = words, at, False
        at.mkdir(parents=True, exist_ok=True)
        self.mount()

    def mount(self, *options: str) -> None:
        """Mount it, or with other options anew."""
        run("mount", *options, *self.words, self.at)
        self.is_there = True

    def unmount(self) -> None:
        """Take it away, also from under those who use it."""
        run("umount", "--lazy", self.at)
        self.is_there = False


@contextmanager
def mounted(*words: str | Path, at: Path) -> Iterator[Mount]:
    """A mount for the length of a test."""
    mount = Mount(*words, at=at)
    try:
        yield mount
    finally:
        if mount.is_there:
            mount.unmount()


@contextmanager
def disk(image: Path, at: Path, size: str = "32M") -> Iterator[Mount]:
    """A disk of its own, in a file, with ext4 on it."""
    needs("mkfs.ext4", "losetup", "truncate")
    may_mount()
    run("truncate", "-s", size, image)
    run("mkfs.ext4", "-q", "-F", image)
    done = subprocess.run(("losetup", "--find", "--show", image), capture_output=True, text=True, check=False)
    if done.returncode != 0:
        pytest.skip(f"no loop device to be had: {done.stderr.strip()}")
    device = done.stdout.strip()
    try:
        with mounted(device, at=at) as mount:
            yield mount
    finally:
        run("losetup", "--detach", device)


def cut_power(mount: Mount) -> None:
    """Stop a disk at once: what was not forced to it is lost, and every further access fails."""
    folder = os.open(mount.at, os.O_RDONLY)
    try:
        fcntl.ioctl(folder, EXT4_IOC_SHUTDOWN, EXT4_GOING_FLAGS_NOLOGFLUSH.to_bytes(4, sys.byteorder))
    finally:
        os.close(folder)
