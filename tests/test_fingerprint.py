"""The fingerprint against the programs that anybody can check it with: find, sort, sha256sum, b3sum, tar, zip."""

from __future__ import annotations

import hashlib
import os
import shutil
import subprocess
import tarfile
import zipfile
from collections.abc import Callable
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Literal

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from guard.share.fingerprint import sums_text
from tests.plant import Plant, content
from tests.reading import faults, odd, sealed

NASTY_NAMES = [
    pytest.param(b"with space.txt", id="space"),
    pytest.param(b" leading and trailing ", id="space-at-both-ends"),
    pytest.param(b"-rf", id="leading-dash"),
    pytest.param(b"*binary", id="leading-star"),
    pytest.param(b"new\nline", id="newline"),
    pytest.param(b"carriage\rreturn", id="carriage-return"),
    pytest.param(b"back\\slash", id="backslash"),
    pytest.param(b"back\\\\n\nr\\r\r", id="all-that-is-escaped"),
    pytest.param(b"\\begins and ends\\", id="backslash-at-both-ends"),
    pytest.param(b"no utf-8 \xff\xfe\x80", id="non-utf-8-bytes"),
    pytest.param(b"latin gr\xfc\xdfe", id="latin-1"),
    pytest.param("right\u202eto left".encode(), id="right-to-left-mark"),
    pytest.param("e\u0301 and \u00e9".encode(), id="composed-and-decomposed"),
    pytest.param(b"\x1b[31mred\x07", id="escape-sequence"),
    pytest.param(b"\x7f\x01tab\there", id="control-characters"),
    pytest.param(b"n" * 255, id="very-long"),
    pytest.param("\u00fc".encode() * 127, id="very-long-in-bytes-not-in-characters"),
    pytest.param(b".hidden", id="leading-dot"),
    pytest.param(b"...", id="three-dots"),
    pytest.param(b"~", id="tilde"),
    pytest.param(b"%0A", id="percent"),
    pytest.param(b"c:drive", id="drive-letter"),
]

# U+10000 and above come after U+FFFD by their bytes and by their code points, but a byte that
# is no UTF-8 stands in a str as a surrogate, below U+FFFD, and by its bytes above it.
NAMES_OF_TWO_ORDERS = (b"\xff", "\ufffd".encode(), "\U00010000".encode(), b"a/b", b"a-b", b"a", b"a.b")

PIPELINE = r"find . -type f -printf '%P\0' | LC_ALL=C sort -z | xargs -0 sha256sum --"
"""As the contract has it, with -- for names that begin with a dash."""


def differs_in_b3sum(name: object) -> bool:
    """Whether b3sum prints a name otherwise than sha256sum does.

    It prints a replacement character for what is no UTF-8, and before 1.3 a carriage return
    as it is, which sha256sum and newer ones escape.
    """
    assert isinstance(name, bytes)
    return b"\r" in name or "\ufffd" in name.decode(errors="replace")


needs_b3sum = pytest.mark.skipif(shutil.which("b3sum") is None, reason="b3sum is not installed")


def write(folder: Path, name: bytes, data: bytes) -> None:
    where = os.path.join(os.fsencode(folder), name)
    os.makedirs(os.path.dirname(where), exist_ok=True)
    with open(where, "wb") as file:
        file.write(data)


def piped(folder: Path, pipeline: str) -> bytes:
    return subprocess.run(pipeline, shell=True, cwd=folder, capture_output=True, check=True).stdout  # noqa: S602


def sums(folder: Path, kind: str = "sha256") -> bytes:
    """The sums text of a set, by the tool's own reader."""
    return sums_text((getattr(file, kind), file.path) for file in sealed(folder).files)


class TestNames:
    """A name is bytes. The sums text is what the programs print for it, whatever is in it."""

    @pytest.mark.parametrize("name", NASTY_NAMES)
    def test_sha256_sums_are_those_of_sha256sum(self, name: bytes, tmp_path: Path) -> None:
        write(tmp_path, name, b"1")
        write(tmp_path, b"folder " + name[:200] + b"/" + name, b"2")

        assert sums(tmp_path) == piped(tmp_path, PIPELINE)

    @needs_b3sum
    @pytest.mark.parametrize("name", [name for name in NASTY_NAMES if not differs_in_b3sum(name.values[0])])
    def test_blake3_sums_are_those_of_b3sum(self, name: bytes, tmp_path: Path) -> None:
        write(tmp_path, name, b"1")

        assert sums(tmp_path, "blake3") == piped(tmp_path, PIPELINE.replace("sha256sum", "b3sum"))

    def test_the_order_is_that_of_the_bytes(self, tmp_path: Path) -> None:
        names = [name if name != b"a" else b"a-" for name in NAMES_OF_TWO_ORDERS]
        for name in names:
            write(tmp_path, name, name)

        found = [os.fsencode(file.path) for file in sealed(tmp_path).files]

        assert found == sorted(names)
        assert found != [os.fsencode(name) for name in sorted(map(os.fsdecode, names))]
        assert sums(tmp_path) == piped(tmp_path, PIPELINE)


def nasty_names() -> list[tuple[bytes, bytes]]:
    """All the names, each with the folder that it is put in."""
    names = [name.values[0] for name in NASTY_NAMES]
    return [(b"programs", name) for name in names if isinstance(name, bytes)] + [
        (b"history", name) for name in NAMES_OF_TWO_ORDERS[:3]
    ]


class TestCommandLine:
    """`guard set show SET --sums` prints the text, and `guard sets --json` tells its SHA-256."""

    @pytest.fixture
    def nasty(self, plant: Plant) -> tuple[Plant, Path]:
        path = plant.save("arm-07")
        for place, name in nasty_names():
            write(plant.share / path, place + b"/" + name, name)
        plant.init()
        plant.look()
        return plant, plant.share / path

    def test_sha256(self, nasty: tuple[Plant, Path]) -> None:
        plant, folder = nasty
        path = str(folder.relative_to(plant.share))

        shown = plant.run("set", "show", path, "--sums", "sha256").raw

        (told,) = plant.sets()
        assert shown == piped(folder, PIPELINE)
        assert told["fingerprint"] == piped(folder, f"{PIPELINE} | sha256sum").decode().split()[0]
        assert (told["proof"], told["problems"]) == ("complete", [])

    @needs_b3sum
    def test_blake3(self, nasty: tuple[Plant, Path]) -> None:
        plant, folder = nasty
        for place, name in nasty_names():
            if differs_in_b3sum(name):
                os.remove(os.path.join(os.fsencode(folder), place, name))
        moved = folder.with_name("2026-01-02_0304")
        folder.rename(moved)
        plant.run("look", "--accept-vanished")

        shown = plant.run("set", "show", "arm-07/2026-01-02_0304", "--sums", "blake3").raw

        assert shown == piped(moved, PIPELINE.replace("sha256sum", "b3sum"))


Shape = Literal["flat", "wrapped"]
Packer = Callable[[Path, Path, Shape], None]
"""Packs a folder into an archive, flat or within a folder of the archive's own name."""


def by_zipfile(folder: Path, archive: Path, shape: Shape) -> None:
    with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as file:
        for where in sorted(folder.rglob("*")):
            inner = where.relative_to(folder.parent if shape == "wrapped" else folder)
            file.write(where, inner)


def by_tarfile(folder: Path, archive: Path, shape: Shape) -> None:
    with tarfile.open(archive, "w:gz" if archive.suffix in (".gz", ".tgz") else "w") as file:
        file.add(folder, folder.name if shape == "wrapped" else ".")


def by_tar(*options: str) -> Packer:
    def pack(folder: Path, archive: Path, shape: Shape) -> None:
        packed = ["-z"] if archive.suffix in (".gz", ".tgz") else []
        place = ["-C", str(folder.parent), folder.name] if shape == "wrapped" else ["-C", str(folder), "."]
        subprocess.run(["tar", "-c", *packed, *options, "-f", str(archive), *place], check=True)

    return pack


def by_zip(folder: Path, archive: Path, shape: Shape) -> None:
    place, names = (folder.parent, folder.name) if shape == "wrapped" else (folder, ".")
    subprocess.run(["zip", "-q", "-r", "-X", str(archive), names], cwd=place, check=True)


needs_zip = pytest.mark.skipif(shutil.which("zip") is None, reason="zip is not installed")

PACKERS = [
    pytest.param(by_zipfile, ".zip", id="zip-by-python"),
    pytest.param(by_zip, ".zip", id="zip-by-zip", marks=needs_zip),
    *[pytest.param(by_tarfile, suffix, id=f"{suffix[1:]}-by-python") for suffix in (".tar", ".tar.gz", ".tgz")],
    *[pytest.param(by_tar(), suffix, id=f"{suffix[1:]}-by-tar") for suffix in (".tar", ".tar.gz", ".tgz")],
    pytest.param(by_tar("--format=posix"), ".tar", id="posix-tar"),
    pytest.param(by_tar("--format=ustar"), ".tar", id="ustar-tar"),
    pytest.param(by_tar("--sparse"), ".tar", id="sparse-tar"),
    pytest.param(by_tar("--sparse", "--format=posix"), ".tgz", id="sparse-posix-tgz"),
    pytest.param(by_tar("--blocking-factor=1"), ".tar", id="tar-without-padding"),
    pytest.param(by_tar("--blocking-factor=2048"), ".tar", id="tar-with-much-padding"),
]
SHAPES = ["flat", "wrapped"]


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with all that is packed in different ways: long, empty, sparse, nested and unusual."""
    folder = tmp_path_factory.mktemp("packed") / "2026-11-25_0510"
    for path, data in content("arm-07").items():
        write(folder, path.encode(), data)
    write(folder, b"empty", b"")
    write(folder, b"a/b/c/d/e/" + b"n" * 90, b"deep")
    write(folder, "gr\u00fc\u00dfe/\U0001f916".encode(), b"utf-8")
    write(folder, b"with space\\and backslash", b"x")
    with (folder / "sparse.bin").open("wb") as file:
        file.truncate(3 << 20)
        file.seek(1 << 20)
        file.write(hashlib.shake_256(b"image").digest(100_000))
    return folder


class TestForms:
    """A folder and its archive have one fingerprint, whoever packed it and in whichever shape."""

    @pytest.mark.parametrize("shape", SHAPES)
    @pytest.mark.parametrize(("pack", "suffix"), PACKERS)
    def test_an_archive_has_the_fingerprint_of_its_folder(
        self,
        pack: Packer,
        suffix: str,
        shape: Shape,
        folder: Path,
        tmp_path: Path,
    ) -> None:
        archive = tmp_path / f"{folder.name}{suffix}"
        pack(folder, archive, shape)

        found = sealed(archive)

        assert (faults(found), odd(found)) == ([], [])
        assert found.fingerprint == hashlib.sha256(piped(folder, PIPELINE)).hexdigest() == sealed(folder).fingerprint

    @pytest.mark.parametrize(("pack", "suffix"), [PACKERS[0], PACKERS[2]])
    def test_a_folder_of_another_name_is_part_of_the_set(
        self, pack: Packer, suffix: str, folder: Path, tmp_path: Path
    ) -> None:
        archive = tmp_path / f"2026-11-24_0510{suffix}"
        pack(folder, archive, "wrapped")

        found = sealed(archive)

        assert {file.path.split("/")[0] for file in found.files} == {folder.name}
        assert found.fingerprint == hashlib.sha256(piped(folder.parent, PIPELINE)).hexdigest()

    @pytest.mark.parametrize("suffix", [".zip", ".tar", ".tar.gz", ".tgz"])
    def test_through_the_command_line(self, suffix: str, plant: Plant) -> None:
        path = plant.save("arm-07")
        folder = plant.share / path
        archive = folder.with_name(f"{folder.name}{suffix}")
        (by_zipfile if suffix == ".zip" else by_tar())(folder, archive, "wrapped")
        expected = piped(folder, PIPELINE)
        shutil.rmtree(folder)
        plant.init()
        plant.look()

        (told,) = plant.sets()

        shown = plant.run("set", "show", told["path"], "--sums", "sha256").raw
        assert (told["path"], told["proof"], told["problems"]) == (f"{path}{suffix}", "complete", [])
        assert (shown, told["fingerprint"]) == (expected, hashlib.sha256(expected).hexdigest())


names = st.binary(min_size=1, max_size=20).filter(
    # A name that begins like a drive of Windows is told as odd in an archive; in a folder it is a name.
    lambda name: not set(name) & set(b"/\0") and name not in (b".", b"..") and name[1:2] != b":"
)
trees = st.dictionaries(
    # One folder for each depth, so that no file stands where another has its folder.
    st.lists(names, min_size=1, max_size=3).map(lambda parts: b"/".join((b"depth %d" % len(parts), *parts))),
    st.binary(max_size=2000),
    min_size=1,
    max_size=6,
)


class TestRoundTrip:
    """Whatever the names and contents: packing changes nothing, and the real pipeline agrees."""

    @settings(max_examples=40)
    @given(tree=trees, suffix=st.sampled_from([".tar", ".tgz"]), shape=st.sampled_from(["flat", "wrapped"]))
    @example(tree={b"depth 2/\x80/ hdrcharset=": b""}, suffix=".tar", shape="flat")
    def test_any_folder_has_the_fingerprint_of_its_tar(
        self, tree: dict[bytes, bytes], suffix: str, shape: Shape
    ) -> None:
        with TemporaryDirectory() as place:
            folder = Path(place) / "set"
            for name, data in tree.items():
                write(folder, name, data)
            archive = Path(place) / f"set{suffix}"
            by_tarfile(folder, archive, shape)

            from_folder, from_archive = sealed(folder), sealed(archive)

            assert faults(from_archive) == odd(from_archive) == []
            assert from_archive.fingerprint == from_folder.fingerprint
            assert from_folder.fingerprint == hashlib.sha256(piped(folder, PIPELINE)).hexdigest()


def test_no_name_can_forge_a_line(tmp_path: Path) -> None:
    """One file cannot be named so that its line reads as the lines of two."""
    digest = hashlib.sha256(b"").hexdigest()
    write(tmp_path / "two", b"a", b"")
    write(tmp_path / "two", b"b", b"")
    write(tmp_path / "one", f"a\n{digest}  b".encode(), b"")

    assert sums(tmp_path / "two").count(b"\n") == 2
    assert sums(tmp_path / "one").count(b"\n") == 1
