"""Archives put together for tests, whole and byte by byte."""

from __future__ import annotations

import gzip
import io
import os
import tarfile
import zipfile
from pathlib import Path

from tests.reading import AS_OF

BLOCK = 512
"""Tar is made of blocks of this size: a header, content filled up with zeros, two blocks of zeros at the end."""

FILES = {"programs/main.txt": b"move to rest\n" * 60, "axis-zero.csv": b"1,10452\n", "empty": b""}
NOISE = os.urandom(5000)
"""Content that does not shrink, so that packed bytes are content and not tables."""


def tarred(*members: tarfile.TarInfo | tuple[str, bytes], form: int = tarfile.PAX_FORMAT) -> bytes:
    """A tar of these members; a TarInfo brings no content."""
    made = io.BytesIO()
    with tarfile.open(fileobj=made, mode="w", format=form) as archive:
        for member in members:
            if isinstance(member, tarfile.TarInfo):
                archive.addfile(member)
            else:
                archive.addfile(tar_header(member[0], len(member[1])), io.BytesIO(member[1]))
    return made.getvalue()


def tar_header(name: str, size: int = 0, kind: bytes = tarfile.REGTYPE, target: str = "") -> tarfile.TarInfo:
    """A header of a member, written on the plant's day."""
    info = tarfile.TarInfo(name)
    info.size, info.type, info.linkname, info.mtime = size, kind, target, int(AS_OF.timestamp()) - 3600
    return info


def zipped(*members: tuple[str | zipfile.ZipInfo, bytes], method: int = zipfile.ZIP_DEFLATED) -> bytes:
    """A zip of these members."""
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", method) as archive:
        for name, data in members:
            archive.writestr(name, data, method)
    return made.getvalue()


WHOLE = {
    ".tar": tarred(*FILES.items()),
    ".tgz": gzip.compress(tarred(*FILES.items()), mtime=0),
    ".zip": zipped(*FILES.items()),
}


def put(place: Path, suffix: str, data: bytes) -> Path:
    """An archive with these bytes."""
    where = place / f"set{suffix}"
    where.write_bytes(data)
    return where
