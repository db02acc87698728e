"""BagIt bags by RFC 8493 (2018), in both directions with the `bagit` package."""

from __future__ import annotations

import hashlib
import shutil
from collections.abc import Callable
from itertools import starmap
from pathlib import Path

import bagit
import pytest
from hypothesis import given
from hypothesis import strategies as st

from guard.model import FileFacts
from guard.plant import Checks, PartRule, Recipe
from guard.share.bag import info, tag_files
from guard.share.checksums import bag_faults
from tests.plant import Plant, content, touch
from tests.reading import AS_OF, faults, paths, sealed, write_folder

PAYLOAD = {
    "programs/main.txt": b"move to rest\n",
    "axis-zero.csv": b"axis,count\n1,10452\n",
    "memory.bin": b"\1\2" * 40_000,
}
DECLARATION = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"


def manifest(files: dict[str, bytes], algorithm: str = "sha256") -> bytes:
    """A manifest of these files."""
    return b"".join(f"{hashlib.new(algorithm, data).hexdigest()}  {path}\n".encode() for path, data in files.items())


def bag(payload: dict[str, bytes] = PAYLOAD, *algorithms: str) -> dict[str, bytes]:
    """The files of a valid bag of version 1.0, by their paths."""
    data = {f"data/{path}": content for path, content in payload.items()}
    kinds = algorithms or ("sha256",)
    files = {"bagit.txt": DECLARATION} | {f"manifest-{kind}.txt": manifest(data, kind) for kind in kinds}
    return data | files | {f"tagmanifest-{kind}.txt": manifest(files, kind) for kind in kinds}


def retagged(files: dict[str, bytes]) -> dict[str, bytes]:
    """The files with a tag manifest that fits them again."""
    tags = {path: data for path, data in files.items() if not path.startswith(("data/", "tagmanifest-"))}
    return {path: data for path, data in files.items() if not path.startswith("tagmanifest-")} | {
        "tagmanifest-sha256.txt": manifest(tags)
    }


def made(folder: Path, payload: dict[str, bytes], *algorithms: str) -> Path:
    """A bag made by the `bagit` package."""
    write_folder(folder, payload)
    bagit.make_bag(str(folder), {"Contact-Name": "Night shift"}, checksums=list(algorithms))
    return folder


def accepted_by_bagit(folder: Path) -> bool:
    """Whether the `bagit` package takes a bag for valid."""
    try:
        bagit.Bag(str(folder)).validate()
    except (bagit.BagError, ValueError, OSError):
        return False
    return True


class TestBagsOfOthers:
    """What the `bagit` package makes is valid for us, as a folder and packed (RFC 8493 section 4.2)."""

    @pytest.mark.parametrize(
        "algorithms",
        [
            pytest.param(("sha256",), id="sha256"),
            pytest.param(("sha512",), id="sha512"),
            pytest.param(("md5",), id="md5"),
            pytest.param(("sha1",), id="sha1"),
            pytest.param(("sha256", "sha512"), id="two"),
            pytest.param(("md5", "sha1", "sha256", "sha512"), id="four"),
        ],
    )
    @pytest.mark.parametrize("form", ["folder", "tar", "tgz", "zip"])
    @pytest.mark.parametrize("shape", ["flat", "wrapped"])
    def test_is_valid(self, algorithms: tuple[str, ...], form: str, shape: str, tmp_path: Path) -> None:
        folder = made(tmp_path / "bag" / "any name", PAYLOAD, *algorithms)

        found = sealed(folder if form == "folder" else packed(folder, form, shape))

        assert faults(found) == []
        assert found.fingerprint == sealed(folder).fingerprint
        assert {path for path in paths(found) if path.startswith("data/")} == {f"data/{path}" for path in PAYLOAD}

    @pytest.mark.parametrize(
        "name",
        [
            pytest.param("with space.txt", id="space"),
            pytest.param(" leading space", id="leading-space"),
            pytest.param("gr\u00fc\u00dfe.txt", id="not-ascii"),
            pytest.param("back\\slash", id="backslash"),
            pytest.param("new\nline", id="newline"),
            pytest.param("carriage\rreturn", id="carriage-return"),
            pytest.param("100%", id="percent"),
            pytest.param("50%25", id="looks-encoded"),
            pytest.param("*star", id="star"),
        ],
    )
    def test_with_an_unusual_name_is_valid(self, name: str, tmp_path: Path) -> None:
        folder = made(tmp_path / "bag", PAYLOAD | {name: b"x", f"programs/{name}": b"y"}, "sha256")

        assert faults(sealed(folder)) == []
        assert accepted_by_bagit(folder)

    @pytest.mark.parametrize("algorithm", ["sha256", "sha512", "md5"])
    @pytest.mark.parametrize("victim", ["data/memory.bin", "bag-info.txt", "bagit.txt"])
    def test_with_one_bit_flipped_is_not(self, algorithm: str, victim: str, tmp_path: Path) -> None:
        folder = made(tmp_path / "bag", PAYLOAD, algorithm)
        data = bytearray((folder / victim).read_bytes())
        data[-2] ^= 1
        (folder / victim).write_bytes(data)

        assert (faults(sealed(folder)) != [], accepted_by_bagit(folder)) == (True, False)


def packed(folder: Path, form: str, shape: str) -> Path:
    """The folder as an archive beside it, flat or within the folder's own name."""
    base = str(folder.parent / "set")
    root, inner = (folder.parent, folder.name) if shape == "wrapped" else (folder, ".")
    return Path(shutil.make_archive(base, {"tgz": "gztar"}.get(form, form), root, inner))


class TestBagsOfOurs:
    """Bags as the RFC writes them: valid for us and for the `bagit` package."""

    @pytest.mark.parametrize(
        "files",
        [
            pytest.param(bag(), id="plain"),
            pytest.param(bag(PAYLOAD, "sha256", "sha512"), id="two-manifests"),
            pytest.param({k: v for k, v in bag().items() if not k.startswith("tag")}, id="without-tag-manifest"),
            pytest.param(retagged(bag() | {"bagit.txt": DECLARATION.replace(b"\n", b"\r\n")}), id="lines-end-in-crlf"),
            pytest.param(retagged(bag() | {"bagit.txt": DECLARATION[:-1]}), id="declaration-without-last-newline"),
            pytest.param(
                retagged(bag() | {"manifest-sha256.txt": bag()["manifest-sha256.txt"].replace(b"  ", b" \t ")}),
                id="tabs-between-2.1.3",
            ),
            pytest.param(
                retagged(bag() | {"manifest-sha256.txt": bag()["manifest-sha256.txt"].replace(b"\n", b"\r\n")}),
                id="manifest-in-crlf-2.1.3",
            ),
            pytest.param(bag() | {"other/tag file.txt": b"listed nowhere"}, id="tag-file-listed-nowhere-2.2.4"),
        ],
    )
    def test_are_valid(self, files: dict[str, bytes], tmp_path: Path) -> None:
        folder = write_folder(tmp_path / "bag", files)

        assert faults(sealed(folder)) == []
        assert accepted_by_bagit(folder)

    @pytest.mark.parametrize(
        ("name", "encoded"),
        [
            pytest.param("new\nline", "new%0Aline", id="newline"),
            pytest.param("carriage\rreturn", "carriage%0Dreturn", id="carriage-return"),
            pytest.param("carriage\rreturn", "carriage%0dreturn", id="in-small-letters"),
            pytest.param("100%", "100%25", id="percent"),
            pytest.param("%0A", "%250A", id="looks-encoded"),
            pytest.param("a%20b", "a%2520b", id="nothing-else-is-encoded"),
        ],
    )
    def test_names_are_percent_encoded(self, name: str, encoded: str, tmp_path: Path) -> None:
        """RFC 8493 2.1.3: LF, CR and % are encoded, and only they."""
        files = bag({name: b"x"})
        lines = f"{hashlib.sha256(b'x').hexdigest()}  data/{encoded}\n"
        files = retagged(files | {"manifest-sha256.txt": lines.encode()})

        assert faults(sealed(write_folder(tmp_path / "bag", files))) == []


Change = Callable[[dict[str, bytes]], dict[str, bytes]]
MAIN = "data/programs/main.txt"
SHA256 = "manifest-sha256.txt"
ZERO = b"0" * 64
LINE = manifest({MAIN: PAYLOAD["programs/main.txt"]})


def without(path: str) -> Change:
    """The bag without that file."""
    return lambda files: {name: data for name, data in files.items() if name != path}


def with_file(path: str, data: bytes) -> Change:
    """The bag with that file, and a tag manifest that fits."""
    return lambda files: retagged(files | {path: data})


def with_line(line: bytes, *, instead_of: bytes = b"") -> Change:
    """The bag with another line in its manifest, and a tag manifest that fits."""

    def change(files: dict[str, bytes]) -> dict[str, bytes]:
        text = files[SHA256]
        return retagged(files | {SHA256: text.replace(instead_of, line) if instead_of else text + line})

    return change


def declared(text: bytes) -> Change:
    """The bag with another bagit.txt, and a tag manifest that fits."""
    return with_file("bagit.txt", text)


INVALID = [
    # Section 3: complete is a bag with every required element and every listed file.
    pytest.param(without(MAIN), f"{MAIN} is missing, {SHA256} names it", id="payload-file-missing-3"),
    pytest.param(
        lambda files: {name: data for name, data in files.items() if not name.startswith("data/")},
        "the bag has no payload below data/",
        id="no-payload-3",
    ),
    pytest.param(
        lambda files: {name: data for name, data in files.items() if "manifest" not in name},
        "the bag has no payload manifest",
        id="no-payload-manifest-3",
    ),
    pytest.param(with_file("data/extra.txt", b"x"), f"data/extra.txt is not listed in {SHA256}", id="extra-payload-3"),
    pytest.param(
        with_file("manifest-sha512.txt", b""),
        f"{MAIN} is not listed in manifest-sha512.txt",
        id="one-of-two-manifests-3",
    ),
    pytest.param(with_file(SHA256, b""), f"{MAIN} is not listed in {SHA256}", id="empty-manifest-3"),
    # Section 3: valid is a complete bag in which every checksum was verified.
    pytest.param(lambda files: files | {MAIN: b"x"}, f"{MAIN} differs from {SHA256}", id="wrong-checksum-3"),
    pytest.param(with_line(LINE[2:], instead_of=LINE), f"{MAIN} differs from {SHA256}", id="checksum-too-short-3"),
    pytest.param(
        with_file("manifest-sha512.txt", manifest({MAIN: b"x"}, "sha512")),
        f"{MAIN} differs from manifest-sha512.txt",
        id="wrong-checksum-in-one-of-two-3",
    ),
    pytest.param(
        with_file("manifest-sha3256.txt", b""),
        "manifest-sha3256.txt is of a kind this tool cannot check; keep a sha256 manifest too",
        id="checksums-that-cannot-be-verified-3",
    ),
    pytest.param(
        lambda files: files | {"bag-info.txt": b"", "tagmanifest-sha256.txt": manifest({"bag-info.txt": b"x"})},
        "bag-info.txt differs from tagmanifest-sha256.txt",
        id="tag-manifest-wrong-3",
    ),
    pytest.param(
        lambda files: files | {"tagmanifest-sha256.txt": manifest({"bag-info.txt": b"x"})},
        "bag-info.txt is missing, tagmanifest-sha256.txt names it",
        id="tag-file-missing-3",
    ),
    # Section 2.1.1: the bag declaration.
    *[
        pytest.param(declared(text), "bagit.txt is not as RFC 8493 2.1.1 wants it", id=f"declaration-{name}-2.1.1")
        for name, text in {
            "empty": b"",
            "with-byte-order-mark": b"\xef\xbb\xbf" + DECLARATION,
            "with-space-before-the-colon": DECLARATION.replace(b"Version:", b"Version :"),
            "without-space-after-the-colon": DECLARATION.replace(b"Version: ", b"Version:"),
            "in-the-wrong-order": b"".join(DECLARATION.splitlines(keepends=True)[::-1]),
            "with-three-lines": DECLARATION + b"Contact-Name: Night shift\n",
            "with-an-empty-third-line": DECLARATION + b"\n",
            "with-one-line": DECLARATION.splitlines()[0],
            "in-small-letters": DECLARATION.replace(b"BagIt-Version", b"BagIt-version"),
            "without-minor-version": DECLARATION.replace(b"1.0", b"1"),
            "with-a-word-for-version": DECLARATION.replace(b"1.0", b"one.zero"),
            "in-utf-16": DECLARATION.decode().encode("utf-16"),
        }.items()
    ],
    pytest.param(
        declared(DECLARATION.replace(b"1.0", b"1.1")),
        "the bag is of version 1.1, newer than RFC 8493",
        id="declaration-of-a-newer-version-2.1.1",
    ),
    *[
        pytest.param(
            declared(DECLARATION.replace(b"UTF-8", name)),
            f"bagit.txt names the unknown encoding {name.decode()}",
            id=f"declaration-with-encoding-{name.decode()}-2.1.1",
        )
        for name in (b"UTF-99", b"hex", b"undefined")
    ],
    # Section 2.1.3: payload manifests.
    *[
        pytest.param(with_line(line), f"{SHA256} line 4 is no manifest line", id=f"line-{name}-2.1.3")
        for name, line in {
            "is-a-comment": b"# made by hand\n",
            "has-no-path": ZERO + b"\n",
            "has-no-checksum": b"data/memory.bin\n",
            "has-a-checksum-that-is-no-hex": b"g" * 64 + b"  data/memory.bin\n",
            "begins-with-a-space": b" " + LINE,
            "has-no-space": ZERO + b"data/memory.bin\n",
        }.items()
    ],
    pytest.param(
        with_line(b"\xef\xbb\xbf" + LINE, instead_of=LINE),
        f"{SHA256} line 1 is no manifest line",
        id="manifest-with-bom-2.1.3",
    ),
    pytest.param(with_line(b"\xff\n"), f"{SHA256} is no UTF-8 text", id="manifest-in-another-encoding-2.1.3"),
    *[
        pytest.param(
            with_line(ZERO + b"  " + path + b"\n"),
            f"{SHA256} line 4 names a path outside the bag",
            id=f"path-{name}-2.1.3",
        )
        for name, path in {
            "above": b"../evil.txt",
            "above-on-a-detour": b"data/../../evil.txt",
            "absolute": b"/etc/passwd",
            "home": b"~/evil.txt",
            "of-someones-home": b"~root/evil.txt",
            "of-a-drive": b"C:/evil.txt",
        }.items()
    ],
    pytest.param(
        with_line(manifest({"bagit.txt": DECLARATION})),
        f"{SHA256} lists bagit.txt, which is not below data/",
        id="path-outside-the-payload-2.1.3",
    ),
    pytest.param(with_line(LINE), f"{SHA256} names {MAIN} twice", id="path-twice-2.1.3"),
    pytest.param(
        with_line(LINE.replace(b"data/", b"./data/"), instead_of=LINE),
        f"{SHA256} lists ./{MAIN}, which is not below data/",
        id="path-with-leading-dot-2.1.3",
    ),
    pytest.param(
        with_line(LINE.replace(b"main", b"m%61in"), instead_of=LINE),
        f"data/programs/m%61in.txt is missing, {SHA256} names it",
        id="encoded-what-must-not-be-2.1.3",
    ),
    # Section 2.2.1: tag manifests.
    pytest.param(
        lambda files: files | {"tagmanifest-sha256.txt": LINE},
        f"tagmanifest-sha256.txt lists {MAIN}, which it may not (RFC 8493 2.2.1)",
        id="tag-manifest-lists-payload-2.2.1",
    ),
    pytest.param(
        lambda files: (
            files | {"tagmanifest-md5.txt": b"", "tagmanifest-sha256.txt": manifest({"tagmanifest-md5.txt": b""})}
        ),
        "tagmanifest-sha256.txt lists tagmanifest-md5.txt, which it may not (RFC 8493 2.2.1)",
        id="tag-manifest-lists-a-tag-manifest-2.2.1",
    ),
    pytest.param(
        lambda files: files | {"tagmanifest-sha256.txt": b"no line\n"},
        "tagmanifest-sha256.txt line 1 is no manifest line",
        id="tag-manifest-with-a-malformed-line-2.2.1",
    ),
    # Section 2.2.3: fetch.txt.
    pytest.param(
        with_file("fetch.txt", b"https://example.org/a 12 data/a.txt\n"),
        "fetch.txt names data/a.txt, which a payload manifest lacks (RFC 8493 2.2.3)",
        id="fetch-entry-in-no-manifest-2.2.3",
    ),
    pytest.param(
        lambda files: with_file("fetch.txt", b"https://example.org/a - data/a.txt\n")(
            with_line(ZERO + b"  data/a.txt\n")(files | {"manifest-sha512.txt": files[SHA256]})
        ),
        "fetch.txt names data/a.txt, which a payload manifest lacks (RFC 8493 2.2.3)",
        id="fetch-entry-in-one-of-two-manifests-2.2.3",
    ),
    pytest.param(
        lambda files: with_file("fetch.txt", b"https://example.org/a - " + MAIN.encode())(without(MAIN)(files)),
        f"{MAIN} is missing, {SHA256} names it",
        id="fetch-entry-not-fetched-yet-3",
    ),
    *[
        pytest.param(
            with_file("fetch.txt", line),
            "fetch.txt line 1 is no URL with a length and a path (RFC 8493 2.2.3)",
            id=f"fetch-line-without-{name}-2.2.3",
        )
        for name, line in {
            "path": b"https://example.org/a 12\n",
            "length": b"https://example.org/a data/a.txt\n",
            "number-as-length": b"https://example.org/a many data/a.txt\n",
        }.items()
    ],
]


class TestInvalid:
    """Every way of sections 2 and 3 to be no valid bag keeps a set from being complete, and is told by name."""

    @pytest.mark.parametrize(("change", "fault"), INVALID)
    def test_it_is_told(self, change: Change, fault: str, tmp_path: Path) -> None:
        folder = write_folder(tmp_path / "bag", change(bag()))

        found = sealed(folder, NOTHING_WANTED)

        assert fault in faults(found)
        assert not found.complete

    @pytest.mark.parametrize(("change", "fault"), INVALID)
    def test_it_is_told_of_an_archive_too(self, change: Change, fault: str, tmp_path: Path) -> None:
        folder = write_folder(tmp_path / "bag", change(bag()))

        found = sealed(packed(folder, "tar", "wrapped"), NOTHING_WANTED)

        assert faults(found) == faults(sealed(folder, NOTHING_WANTED))
        assert fault in faults(found)

    def test_every_fault_is_told_once(self, tmp_path: Path) -> None:
        files = bag(PAYLOAD, "sha256", "sha512") | {MAIN: b"x", "data/extra.txt": b"x"}
        del files["data/memory.bin"]

        assert sorted(faults(sealed(write_folder(tmp_path / "bag", files)))) == sorted(
            fault
            for kind in ("manifest-sha256.txt", "manifest-sha512.txt")
            for fault in (
                f"{MAIN} differs from {kind}",
                f"data/extra.txt is not listed in {kind}",
                f"data/memory.bin is missing, {kind} names it",
            )
        )

    @pytest.mark.parametrize(
        "change",
        [
            pytest.param(declared(DECLARATION.replace(b"Version:", b"Version :")), id="space-before-the-colon-2.1.1"),
            pytest.param(declared(DECLARATION + b"Contact-Name: x\n"), id="three-lines-2.1.1"),
            pytest.param(declared(b"".join(DECLARATION.splitlines(keepends=True)[::-1])), id="wrong-order-2.1.1"),
            pytest.param(with_line(b"# made by hand\n"), id="comment-in-a-manifest-2.1.3"),
            pytest.param(with_line(ZERO + b"\n"), id="line-without-path-2.1.3"),
            pytest.param(
                with_line(LINE.replace(b"data/", b"./data/"), instead_of=LINE), id="path-with-leading-dot-2.1.3"
            ),
        ],
    )
    def test_where_the_package_is_laxer_the_rfc_rules(self, change: Change, tmp_path: Path) -> None:
        folder = write_folder(tmp_path / "bag", change(bag()))

        assert accepted_by_bagit(folder)
        assert not sealed(folder, NOTHING_WANTED).complete

    def test_where_the_package_is_stricter_the_rfc_rules(self, tmp_path: Path) -> None:
        """RFC 8493 2.2.2: Payload-Oxum serves a quick look; it makes no bag valid or invalid."""
        folder = write_folder(tmp_path / "bag", with_file("bag-info.txt", b"Payload-Oxum: 1.1\n")(bag()))

        assert not accepted_by_bagit(folder)
        assert sealed(folder).complete


NOTHING_WANTED = Recipe("nothing", ())


class TestOlderVersions:
    """Bags before 1.0: a file need be in one manifest only, the same line twice is borne, md5sum's star too."""

    OLD = DECLARATION.replace(b"1.0", b"0.97")

    @pytest.mark.parametrize(
        "change",
        [
            pytest.param(with_line(LINE), id="same-line-twice"),
            pytest.param(with_line(LINE.replace(b"  ", b" *"), instead_of=LINE), id="star-before-the-path"),
            pytest.param(with_line(LINE.replace(b"data/", b"./data/"), instead_of=LINE), id="leading-dot"),
            pytest.param(
                with_file("manifest-md5.txt", manifest({MAIN: PAYLOAD["programs/main.txt"]}, "md5")), id="in-one-of-two"
            ),
        ],
    )
    def test_what_was_allowed(self, change: Change, tmp_path: Path) -> None:
        new, old = bag(), retagged(bag() | {"bagit.txt": self.OLD})

        assert faults(sealed(write_folder(tmp_path / "old", change(old)))) == []
        assert faults(sealed(write_folder(tmp_path / "new", change(new)))) != []

    @pytest.mark.parametrize(
        ("change", "fault"),
        [
            pytest.param(
                with_line(ZERO + b"  " + MAIN.encode()), f"{SHA256} names {MAIN} twice", id="twice-and-different"
            ),
            pytest.param(
                with_file("data/extra.txt", b"x"), "data/extra.txt is not listed in any payload manifest", id="in-none"
            ),
            pytest.param(lambda files: files | {MAIN: b"x"}, f"{MAIN} differs from {SHA256}", id="wrong-checksum"),
        ],
    )
    def test_what_never_was(self, change: Change, fault: str, tmp_path: Path) -> None:
        files = change(retagged(bag() | {"bagit.txt": self.OLD}))

        assert faults(sealed(write_folder(tmp_path / "bag", files))) == [fault]


PARTS = Recipe(
    "parts",
    (
        PartRule("programs", ("programs/**",), 1, Checks()),
        PartRule("axis-zero", ("axis-zero.csv",), 1, Checks(min_bytes=8, text="utf-8")),
        PartRule("image", ("memory.bin",), 1, Checks(not_blank=True)),
    ),
)


class TestRecipe:
    """A recipe speaks of what was saved: in a bag that is the payload, by its path below data/, and nothing else."""

    @pytest.mark.parametrize("form", ["folder", "tar", "zip"])
    @pytest.mark.parametrize("shape", ["flat", "wrapped"])
    def test_parts_match_the_payload(self, form: str, shape: str, tmp_path: Path) -> None:
        folder = write_folder(tmp_path / "bag", bag())

        found = sealed(folder if form == "folder" else packed(folder, form, shape), PARTS)

        assert faults(found) == []
        assert {part.name: (part.files, part.bytes) for part in found.parts} == {
            "programs": (1, 13),
            "axis-zero": (1, 19),
            "image": (1, 80_000),
        }

    def test_a_tag_file_is_no_part(self, tmp_path: Path) -> None:
        payload = {path: data for path, data in PAYLOAD.items() if path != "memory.bin"}
        folder = write_folder(tmp_path / "bag", bag(payload) | {"memory.bin": PAYLOAD["memory.bin"]})

        assert faults(sealed(folder, PARTS)) == ["image: no file like memory.bin, at least 1 expected"]

    def test_a_tag_file_hides_no_part(self, tmp_path: Path) -> None:
        folder = write_folder(tmp_path / "bag", bag(PAYLOAD | {"memory.bin": bytes(9)}) | {"memory.bin": b"sound"})

        assert faults(sealed(folder, PARTS)) == ["image: memory.bin is blank: every byte is the same"]

    def test_through_the_command_line(self, plant: Plant) -> None:
        path = "arm-07/2026-11-20_0510"
        folder = made(plant.share / path, content("arm-07", "x"), "sha256", "sha512")
        touch(folder, AS_OF)
        plant.init()
        plant.look()
        plant.prove()
        (sound,) = plant.sets()
        (folder / "data" / "memory.bin").write_bytes(b"\0" * 70_000)
        plant.look()

        (damaged,) = plant.sets()

        assert (sound["path"], sound["proof"], sound["problems"]) == (path, "read-back", [])
        assert {name: part["ok"] for name, part in sound["parts"].items()} == {
            "programs": True,
            "axis-zero": True,
            "image": True,
        }
        assert damaged["proof"] == "damaged"


NAMES = st.text(st.characters(codec="utf-8", exclude_characters="/\0"), min_size=1).filter(
    lambda name: name not in (".", "..")
)


@given(st.dictionaries(st.lists(NAMES, min_size=1, max_size=3).map("/".join), st.binary(max_size=20), min_size=1))
def test_what_is_written_is_what_is_read(payload: dict[str, bytes]) -> None:
    """The texts of a bag of ours are those of a valid bag, whatever the names of its files."""
    files = [_facts(path, data) for path, data in payload.items()]
    tags = tag_files(files, info([("Arm", "arm-07\nFingerprint: x")], files))
    there = {
        each.path: each
        for each in (*(_facts(f"data/{path}", data) for path, data in payload.items()), *starmap(_facts, tags.items()))
    }

    assert bag_faults(there, tags, {}) == []
    assert tags["bag-info.txt"].count(b"\n") == 2
    assert list(tags)[-1] == "bagit.txt"


def _facts(path: str, data: bytes) -> FileFacts:
    return FileFacts(path, len(data), None, hashlib.sha256(data).digest(), b"")
