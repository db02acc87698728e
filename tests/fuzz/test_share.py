"""What lies on the share: names, archives, checksum lists and markers that somebody made to do harm."""

from __future__ import annotations

import gzip
import io
import json
import os
import shutil
import struct
import tarfile
import zipfile
from collections.abc import Iterator
from datetime import timedelta
from itertools import count

import pytest
from hypothesis import given
from hypothesis import strategies as st

from guard.clock import now
from tests.fuzz.bounds import Guard, controls, fuzzed
from tests.plant import Plant, content, stamp

ODD_NAMES = [
    "\x1b[2J",
    "\n",
    "\r",
    "a\tb",
    "\u202egnp.txt",
    "-rf",
    "~",
    "%s",
    "{arm}",
    "<b>",
    "'",
    "é",
    "\udcff\udcfe",
    " ",
    "NUL",
    "C:",
    "<script src=x>",
    "\x9b2J",
    "\u2028",
    "\u200b",
]
NAMES = st.sampled_from(ODD_NAMES) | st.text(st.characters(blacklist_characters="/\0"), min_size=1, max_size=20)
NAMES = NAMES.filter(lambda name: name not in (".", "..") and _is_a_name(name))
MEMBERS = st.sampled_from(
    [
        "memory.bin",
        "axis-zero.csv",
        "settings.toml",
        "programs/main.txt",
        "../../../../tmp/out",
        "/etc/out",
        "a/../b",
        "",
        "\x1b]0;title\x07",
        "a\nb",
        "\u202egnp.bin",
        "x" * 300,
        "a/" * 3000 + "b",
    ]
)
LINES = st.sampled_from(
    [
        *(
            "0" * 64 + "  memory.bin",
            "0" * 64 + " *../../etc/passwd",
            "\\" + "0" * 64 + "  a\\nb",
            "0" * 63 + "  short",
            "f" * 64,
        ),
        *(
            "BagIt-Version: 1.0",
            "Tag-File-Character-Encoding: UTF-8",
            "BagIt-Version: 99999999999999999999.1",
            "http://x/ - data/x",
        ),
        *("0" * 64 + "  data/memory.bin", "0" * 64 + "  " + "a/" * 2000, "\x1b[2J", ""),
    ]
)
NAMED = st.sampled_from(ODD_NAMES).map(("0" * 64 + "  {}").format)
PAX = st.sampled_from(
    "GNU.sparse.map GNU.sparse.size GNU.sparse.major GNU.sparse.minor GNU.sparse.realsize GNU.sparse.name hdrcharset"
    " size path linkpath mtime uid".split()
)
PAX_VALUES = st.sampled_from(
    ["0,1,9,1", "1", "0", "-1", "nan", "9" * 300, "99999999999", "BINARY", "../out", "\x1b[2J", "1," * 5000, ""]
) | st.text(max_size=6)
LISTS = st.just("SHA256SUMS") | st.sampled_from(
    ["bagit.txt", "manifest-sha256.txt", "manifest-md5.txt", "tagmanifest-sha1.txt", "fetch.txt"]
)


def _is_a_name(name: str) -> bool:
    try:
        return len(os.fsencode(name)) < 200
    except UnicodeEncodeError:
        return False


@pytest.fixture
def arriving(plant: Plant) -> Iterator[Iterator[str]]:
    """Names for sets of arm-09, another one each time: what stands where a set stood is not read at the first look."""
    begin = now()
    yield (stamp(begin - timedelta(minutes=minutes)) for minutes in count(60))
    _empty(plant)


def _empty(plant: Plant) -> None:
    shutil.rmtree(plant.share / "arm-09", ignore_errors=True)
    (plant.share / "arm-09").mkdir()


def looked_at(guard: Guard) -> None:
    """What a user would ask about what lies there."""
    for words in (
        ("look", "--wait", "0s"),
        ("prove", "--arm", "arm-09"),
        ("sets", "arm-09"),
        ("ask", "--arm", "arm-09", "--action", "power-down"),
    ):
        guard(*words)
    guard("ask", "--arm", "arm-09", "--action", "power-down", on_terminal=True)
    guard("sets", "arm-09", on_terminal=True)
    guard("report")
    pages_are_harmless(guard)
    shown = guard("sets", "arm-09", "--json")
    if shown.code == 0:
        for each in json.loads(shown.out)["sets"][:2]:
            guard("set", "show", "--", each["path"])
            guard("set", "show", "--", each["path"], on_terminal=True)


def pages_are_harmless(guard: Guard) -> None:
    """What was written for people to open steers no terminal either, and no name became a part of a page."""
    for page in (guard.plant.root / "state").rglob("*.html"):
        text = page.read_text(encoding="utf-8")
        assert not controls(text.replace("\t", "")), page
        assert "<script" not in text, page


@fuzzed(25)
@given(st.lists(st.tuples(NAMES, st.booleans()), min_size=1, max_size=4), st.booleans())
def test_names(
    guard: Guard,
    plant: Plant,
    arriving: Iterator[str],
    names: list[tuple[str, bool]],
    inside: bool,  # noqa: FBT001
) -> None:
    _empty(plant)
    place = plant.share / "arm-09"
    if inside:
        place = plant.share / plant.save("arm-09", timedelta(hours=1), name=next(arriving))
    for name, is_folder in names:
        where = os.path.join(os.fsencode(place), os.fsencode(name))
        if is_folder:
            if not os.path.lexists(where):
                os.mkdir(where)
        elif not os.path.isdir(where):
            with open(where, "wb") as file:
                file.write(b"x")
    looked_at(guard)
    guard("survey", str(plant.share))


SOUND_BAG = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


@fuzzed(100)
@given(
    LISTS,
    st.lists(LINES | NAMED | st.text(max_size=20), max_size=8),
    st.sampled_from(["\n", "\r\n", "\r", "\0"]),
    st.booleans(),
)
def test_checksum_lists(
    guard: Guard,
    plant: Plant,
    arriving: Iterator[str],
    name: str,
    lines: list[str],
    end: str,
    is_bag: bool,  # noqa: FBT001
) -> None:
    _empty(plant)
    listed = end.join(lines).encode("utf-8", "surrogatepass")
    files = content("arm-09")
    if is_bag:
        files = {f"data/{path}": data for path, data in files.items()} | {"bagit.txt": SOUND_BAG}
    plant.save("arm-09", files=files | {name: listed}, name=next(arriving))
    looked_at(guard)


@fuzzed(60)
@given(
    st.sampled_from([".zip", ".tar", ".tar.gz", ".tgz"]),
    st.lists(st.tuples(MEMBERS | NAMES, st.integers(0, 5), st.sampled_from([b"", b"x", bytes(70_000)])), max_size=6),
    st.lists(st.tuples(st.floats(0, 1, exclude_max=True), st.binary(max_size=9)), max_size=3),
    st.sampled_from([0, 1, 512, 10**6]),
    st.dictionaries(PAX, PAX_VALUES, max_size=3),
    st.sampled_from([b"", bytes(512), b"garbage", b"\x1f\x8b\x08\x08" + b"n" * 2000]),
)
def test_archives(  # noqa: PLR0917 - all of them are drawn
    guard: Guard,
    plant: Plant,
    arriving: Iterator[str],
    suffix: str,
    members: list[tuple[str, int, bytes]],
    edits: list[tuple[float, bytes]],
    cut: int,
    pax: dict[str, str],
    tail: bytes,
) -> None:
    _empty(plant)
    data = _zipped(members) if suffix == ".zip" else _tarred(members, pax)
    data = (gzip.compress(data) if suffix.endswith("gz") else data) + tail
    for where, piece in edits:
        at = int(where * len(data))
        data = data[:at] + piece + data[at + (len(piece) or cut) :]
    (plant.share / "arm-09" / f"{next(arriving)}{suffix}").write_bytes(data)
    looked_at(guard)


def _zipped(members: list[tuple[str, int, bytes]]) -> bytes:
    packed = io.BytesIO()
    with zipfile.ZipFile(packed, "w") as made:
        for name, kind, data in members:
            info = zipfile.ZipInfo("x")
            info.filename = name.encode("utf-8", "replace").decode()
            info.compress_type = (zipfile.ZIP_STORED, zipfile.ZIP_DEFLATED, zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA)[
                kind % 4
            ]
            info.external_attr = (0o100644, 0o120777, 0o040755, 0o010644, 0o060644, 0o020644)[kind] << 16
            made.NameToInfo.clear()  # it warns of two alike
            made.writestr(info, data)
    return packed.getvalue()


TAR_KINDS = (
    tarfile.REGTYPE,
    tarfile.LNKTYPE,
    tarfile.SYMTYPE,
    tarfile.FIFOTYPE,
    tarfile.BLKTYPE,
    tarfile.GNUTYPE_SPARSE,
)


def _tarred(members: list[tuple[str, int, bytes]], pax: dict[str, str]) -> bytes:
    packed = io.BytesIO()
    with tarfile.open(fileobj=packed, mode="w", errors="surrogateescape", pax_headers=pax) as made:
        for name, kind, data in members:
            info = tarfile.TarInfo(name)
            info.type = TAR_KINDS[kind]
            info.linkname, info.mtime = "../" + name, struct.unpack("<h", data[:2].ljust(2))[0]
            info.size = len(data) if kind == 0 else 0
            info.pax_headers = dict(pax)
            made.addfile(info, io.BytesIO(data))
    return packed.getvalue()


@fuzzed(100)
@given(
    st.binary(max_size=60)
    | st.sampled_from([b'{"identity": 1}', b"[" * 5000, b'{"identity": "\\u001b[2J"}', b"null", b"1" * 5000])
)
def test_markers(guard: Guard, plant: Plant, data: bytes) -> None:
    marker = plant.share / ".guard-share.json"
    right = marker.read_bytes()
    try:
        marker.write_bytes(data)
        asked = guard("ask", "--arm", "arm-07", "--action", "power-down")
        assert asked.code in (20, 30)
    finally:
        marker.write_bytes(right)
