"""A recipe at work: which files belong to a part, and what makes each of them sound."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from guard.plant import Checks, Identity, PartRule, Recipe
from guard.share.fingerprint import CHUNK_BYTES
from guard.share.recipe import Inspector, matches
from guard.share.source import IN_ONE_READ_BYTES
from tests.plant import RECIPE, Plant, content
from tests.reading import faults, odd, sealed, write_folder


class TestPatterns:
    """`*` and `?` stay within one name, `**` crosses names, everything else stands for itself; case counts."""

    @pytest.mark.parametrize(
        ("pattern", "path", "expected"),
        [
            ("memory.bin", "memory.bin", True),
            ("memory.bin", "memory_bin", False),
            ("memory.bin", "Memory.bin", False),
            ("memory.bin", "memory.bin2", False),
            ("memory.bin", "old/memory.bin", False),
            ("*.bin", "memory.bin", True),
            ("*.bin", ".bin", True),
            ("*.bin", "old/memory.bin", False),
            ("*.bin", "memory.bin.old", False),
            ("*", "memory.bin", True),
            ("*", "old/memory.bin", False),
            ("m*y.b*n", "memory.bin", True),
            ("m*y.b*n", "my.bn", True),
            ("?emory.bin", "memory.bin", True),
            ("?emory.bin", "emory.bin", False),
            ("?", "\u00fc", True),
            ("a?b", "a/b", False),
            ("programs/*", "programs/main.txt", True),
            ("programs/*", "programs/old/main.txt", False),
            ("programs/*", "programs/", True),
            ("programs/**", "programs/main.txt", True),
            ("programs/**", "programs/a/b/c/main.txt", True),
            ("programs/**", "programs", False),
            ("programs/**", "programs.txt", False),
            ("programs/**", "old/programs/main.txt", False),
            ("**/main.txt", "main.txt", True),
            ("**/main.txt", "a/b/main.txt", True),
            ("**/main.txt", "a/bmain.txt", False),
            ("programs/**/main.txt", "programs/main.txt", True),
            ("programs/**/main.txt", "programs/a/b/main.txt", True),
            ("programs/**/main.txt", "programsmain.txt", False),
            ("**", "a", True),
            ("**", "a/b/c", True),
            ("**/*.bin", "memory.bin", True),
            ("**/*.bin", "a/memory.bin", True),
            ("**/*.bin", "a.bin/memory", False),
            ("a[1].txt", "a[1].txt", True),
            ("a[1].txt", "a1.txt", False),
            ("a+(b|c).txt", "a+(b|c).txt", True),
            ("a+(b|c).txt", "aab.txt", False),
            ("^a$", "^a$", True),
            ("a\\d", "a\\d", True),
            ("a\\d", "a1", False),
            ("a|b", "a", False),
            ("programs/**", "programs/new\nline", True),
            ("*.txt", "new\nline.txt", True),
            ("*.txt", "no utf-8 \udcff.txt", True),
            ("", "a", False),
        ],
    )
    def test_one(self, pattern: str, path: str, expected: bool) -> None:  # noqa: FBT001
        assert matches((pattern,), path) is expected

    @pytest.mark.parametrize(
        ("patterns", "expected"),
        [((), False), (("a",), True), (("b", "a"), True), (("b", "c"), False), (("ab", "a?"), False)],
    )
    def test_one_of_several_is_enough_and_none_is_not(self, patterns: tuple[str, ...], expected: bool) -> None:  # noqa: FBT001
        assert matches(patterns, "a") is expected

    @given(st.text(st.characters(exclude_characters="*?"), min_size=1, max_size=20), st.text(max_size=20))
    def test_a_name_without_wildcards_fits_itself_alone(self, pattern: str, path: str) -> None:
        assert matches((pattern,), pattern)
        assert matches((pattern,), path) is (pattern == path)


ONE_READ, MANY_CHUNKS = IN_ONE_READ_BYTES, 2 * CHUNK_BYTES + 7
"""A file read in one call, and one read in several chunks."""

EURO = "\u20ac".encode()
SMILE = "\U0001f916".encode()

CHECKS = [
    # min-size: the limit is inside.
    pytest.param(Checks(min_bytes=16), b"x" * 15, "has 15 B, at least 16 B expected", id="min-size-one-under"),
    pytest.param(Checks(min_bytes=16), b"x" * 16, None, id="min-size-at"),
    pytest.param(Checks(min_bytes=16), b"x" * 17, None, id="min-size-one-over"),
    pytest.param(Checks(min_bytes=1), b"", "has 0 B, at least 1 B expected", id="min-size-empty"),
    pytest.param(Checks(min_bytes=0), b"", None, id="min-size-zero"),
    # max-size: the limit is inside.
    pytest.param(Checks(max_bytes=16), b"x" * 15, None, id="max-size-one-under"),
    pytest.param(Checks(max_bytes=16), b"x" * 16, None, id="max-size-at"),
    pytest.param(Checks(max_bytes=16), b"x" * 17, "has 17 B, at most 16 B expected", id="max-size-one-over"),
    pytest.param(Checks(max_bytes=0), b"", None, id="max-size-zero"),
    # not-blank: at least one byte differs from the first.
    pytest.param(Checks(not_blank=True), b"", "is empty", id="blank-empty"),
    pytest.param(Checks(not_blank=True), b"x", "is blank: every byte is the same", id="blank-one-byte"),
    pytest.param(Checks(not_blank=True), b"xy", None, id="blank-two-bytes"),
    *[
        pytest.param(Checks(not_blank=True), data, fault, id=f"blank-{name}")
        for byte, told in ((b"\0", "zeros"), (b"\xff", "ones"), (b" ", "spaces"))
        for length, size in (("one-read", ONE_READ), ("chunks", MANY_CHUNKS), ("two-threads", 8 << 20))
        for name, data, fault in (
            (f"{told}-{length}", byte * size, "is blank: every byte is the same"),
            (f"{told}-{length}-but-the-last-byte", byte * (size - 1) + b"!", None),
            (f"{told}-{length}-but-the-first-byte", b"!" + byte * (size - 1), None),
        )
    ],
    pytest.param(
        Checks(not_blank=True), bytes(CHUNK_BYTES) + b"\1" * CHUNK_BYTES, None, id="blank-in-each-chunk-but-otherwise"
    ),
    pytest.param(
        Checks(not_blank=True), bytes(9) + b"!" + bytes(MANY_CHUNKS), None, id="blank-but-one-byte-of-the-first-chunk"
    ),
    # starts-with.
    pytest.param(Checks(starts_with=b"MEM1"), b"MEM1", None, id="start-alone"),
    pytest.param(Checks(starts_with=b"MEM1"), b"MEM1" + bytes(MANY_CHUNKS), None, id="start-of-much"),
    pytest.param(
        Checks(starts_with=b"MEM1"),
        b"MEM2" + bytes(9),
        "begins with 4d 45 4d 32, 4d 45 4d 31 expected",
        id="start-differs",
    ),
    pytest.param(Checks(starts_with=b"MEM1"), b"ME", "begins with 4d 45, 4d 45 4d 31 expected", id="start-too-short"),
    pytest.param(Checks(starts_with=b"MEM1"), b"", "begins with nothing, 4d 45 4d 31 expected", id="start-empty"),
    pytest.param(
        Checks(starts_with=b"MEM1"), b" MEM1", "begins with 20 4d 45 4d, 4d 45 4d 31 expected", id="start-one-late"
    ),
    # text: every byte belongs to a character of the encoding.
    pytest.param(Checks(text="utf-8"), b"", None, id="text-empty"),
    pytest.param(Checks(text="utf-8"), b"axis,count\n" + EURO, None, id="text-utf-8"),
    pytest.param(Checks(text="utf-8"), b"gr\xfc\xdfe", "is no readable utf-8 text", id="text-latin-1-as-utf-8"),
    pytest.param(Checks(text="latin-1"), b"gr\xfc\xdfe", None, id="text-latin-1"),
    pytest.param(Checks(text="ascii"), EURO, "is no readable ascii text", id="text-no-ascii"),
    pytest.param(Checks(text="utf-8"), EURO[:2], "is no readable utf-8 text", id="text-cut-within-its-last-character"),
    pytest.param(Checks(text="utf-8"), EURO[1:], "is no readable utf-8 text", id="text-cut-within-its-first-character"),
    pytest.param(Checks(text="utf-8"), b"axis\0count", "is no readable utf-8 text", id="text-with-a-zero"),
    pytest.param(Checks(text="utf-8"), bytes(CHUNK_BYTES * 2), "is no readable utf-8 text", id="text-never-written"),
    pytest.param(Checks(text="utf-16"), "axis".encode("utf-16"), None, id="text-utf-16"),
    pytest.param(
        Checks(text="utf-16"), "axis".encode("utf-16")[:-1], "is no readable utf-16 text", id="text-utf-16-cut"
    ),
    *[
        pytest.param(
            Checks(text="utf-8"),
            b"x" * (CHUNK_BYTES - before) + SMILE + b"x" * CHUNK_BYTES,
            None,
            id=f"text-{before}-of-4-bytes-before-a-border",
        )
        for before in (1, 2, 3, 4)
    ],
    pytest.param(
        Checks(text="utf-8"),
        b"x" * (CHUNK_BYTES - 2) + SMILE[:3] + b"x" * CHUNK_BYTES,
        "is no readable utf-8 text",
        id="text-broken-character-across-a-border",
    ),
    pytest.param(
        Checks(text="utf-8"),
        b"x" * (CHUNK_BYTES - 2) + SMILE[:2],
        "is no readable utf-8 text",
        id="text-cut-at-a-border",
    ),
    pytest.param(
        Checks(text="utf-8"),
        b"\xff" + b"x" * MANY_CHUNKS,
        "is no readable utf-8 text",
        id="text-broken-in-the-first-chunk",
    ),
    pytest.param(Checks(), b"", None, id="no-check"),
]


def image(checks: Checks) -> Recipe:
    """A recipe of one part, with these checks."""
    return Recipe("image", (PartRule("image", ("**/memory.bin",), 0, checks),))


class TestChecks:
    """Each check from both sides: what it refuses, with the words for it, and the nearest that it lets pass."""

    @pytest.mark.parametrize("form", ["folder", "zip"])
    @pytest.mark.parametrize(("checks", "data", "fault"), CHECKS)
    def test_a_file_of_a_set(self, checks: Checks, data: bytes, fault: str | None, form: str, tmp_path: Path) -> None:
        where = write_folder(tmp_path / "set", {"memory.bin": data})
        if form == "zip":
            where = stored(where)

        found = sealed(where, image(checks))

        assert faults(found) == ([] if fault is None else [f"image: memory.bin {fault}"])
        assert [part.ok for part in found.parts] == [fault is None]

    def test_every_fault_is_told(self) -> None:
        inspector = Inspector(Checks(min_bytes=9, max_bytes=0, not_blank=True, starts_with=b"M", text="utf-8"))
        inspector.feed(b"\xff\xff")

        assert inspector.faults(2) == [
            "has 2 B, at least 9 B expected",
            "has 2 B, at most 0 B expected",
            "is blank: every byte is the same",
            "begins with ff, 4d expected",
            "is no readable utf-8 text",
        ]

    @settings(max_examples=300)
    @given(
        data=st.binary(max_size=60)
        | st.text(max_size=20).map(str.encode)
        | st.binary(min_size=1, max_size=1).map(lambda b: b * 9),
        cuts=st.lists(st.integers(0, 60), max_size=5),
        start=st.binary(min_size=1, max_size=4),
    )
    def test_where_chunks_end_does_not_matter(self, data: bytes, cuts: list[int], start: bytes) -> None:
        checks = Checks(not_blank=True, starts_with=start, text="utf-8")
        whole, pieces = Inspector(checks), Inspector(checks)
        whole.feed(data)
        borders = [0, *sorted(cuts), len(data)]
        for begin, end in itertools.pairwise(borders):
            pieces.feed(memoryview(data)[begin:end])

        found = pieces.faults(len(data))

        assert found == whole.faults(len(data))
        is_text = b"\0" not in data and data == data.decode(errors="ignore").encode()
        assert ("is no readable utf-8 text" not in found) == is_text
        assert any("begins" in fault for fault in found) == (not data.startswith(start))
        assert any("blank" in fault or "empty" in fault for fault in found) == (len(set(data)) < 2)


def stored(folder: Path) -> Path:
    """The folder as a zip beside it, without packing, so that blank content is no bomb."""
    import zipfile

    where = folder.with_suffix(".zip")
    with zipfile.ZipFile(where, "w", zipfile.ZIP_STORED) as archive:
        for file in folder.rglob("*"):
            archive.write(file, file.relative_to(folder))
    return where


class TestParts:
    """A part has as many files as its rule asks for, each of them sound; files of no part are no fault."""

    @pytest.mark.parametrize(
        ("count", "at_least", "fault"),
        [
            pytest.param(0, 0, None, id="none-wanted"),
            pytest.param(0, 1, "programs: no file like programs/**, at least 1 expected", id="none-of-one"),
            pytest.param(1, 1, None, id="one-of-one"),
            pytest.param(2, 3, "programs: 2 files like programs/**, at least 3 expected", id="two-of-three"),
            pytest.param(3, 3, None, id="three-of-three"),
            pytest.param(4, 3, None, id="four-of-three"),
        ],
    )
    def test_at_least(self, count: int, at_least: int, fault: str | None, tmp_path: Path) -> None:
        files = {f"programs/{number}.txt": b"x" for number in range(count)} | {"other": b"x"}
        recipe = Recipe("programs", (PartRule("programs", ("programs/**",), at_least, Checks()),))

        found = sealed(write_folder(tmp_path / "set", files), recipe)

        assert faults(found) == ([] if fault is None else [fault])
        assert [(part.files, part.bytes, part.ok) for part in found.parts] == [(count, count, fault is None)]

    @pytest.mark.parametrize(
        ("contents", "at_least", "checks", "fault"),
        [
            pytest.param((b"", b""), 1, Checks(), True, id="all-empty"),
            pytest.param((b"", b"x"), 1, Checks(), False, id="one-is-not"),
            pytest.param((b"",), 0, Checks(), False, id="none-wanted"),
            pytest.param((b"",), 1, Checks(min_bytes=0), False, id="its-recipe-allows-it"),
        ],
    )
    def test_a_part_of_empty_files_was_not_saved(
        self,
        contents: tuple[bytes, ...],
        at_least: int,
        checks: Checks,
        fault: bool,  # noqa: FBT001
        tmp_path: Path,
    ) -> None:
        files = {f"programs/{number}.txt": data for number, data in enumerate(contents)} | {"other": b"x"}
        recipe = Recipe("programs", (PartRule("programs", ("programs/**",), at_least, checks),))
        found = sealed(write_folder(tmp_path / "set", files), recipe)
        assert faults(found) == (["programs: nothing was written, every file is empty"] if fault else [])

    def test_each_file_is_checked_and_one_bad_one_spoils_the_part(self, tmp_path: Path) -> None:
        files = {"a/memory.bin": b"\1\2", "b/memory.bin": b"\0\0", "c/memory.bin": b""}

        found = sealed(write_folder(tmp_path / "set", files), image(Checks(not_blank=True)))

        assert faults(found) == [
            "image: b/memory.bin is blank: every byte is the same",
            "image: c/memory.bin is empty",
        ]
        assert [part.ok for part in found.parts] == [False]

    def test_a_file_may_belong_to_two_parts(self, tmp_path: Path) -> None:
        rules = [
            PartRule(name, ("memory.bin",), 1, Checks(min_bytes=size)) for name, size in (("image", 1), ("settings", 9))
        ]

        found = sealed(write_folder(tmp_path / "set", {"memory.bin": b"xy"}), Recipe("two", tuple(rules)))

        assert {part.name: part.ok for part in found.parts} == {"image": True, "settings": False}

    def test_a_set_without_any_file_is_never_complete(self, tmp_path: Path) -> None:
        (tmp_path / "set" / "programs").mkdir(parents=True)

        found = sealed(tmp_path / "set", Recipe("nothing", ()))

        assert (found.complete, faults(found)) == (False, ["it holds no file"])

    def test_a_moved_file_leaves_the_digest_of_its_part_alone(self, tmp_path: Path) -> None:
        recipe = image(Checks())
        (one,) = sealed(write_folder(tmp_path / "one", {"memory.bin": b"xy"}), recipe).parts
        (moved,) = sealed(write_folder(tmp_path / "moved", {"old/memory.bin": b"xy"}), recipe).parts
        (other,) = sealed(write_folder(tmp_path / "other", {"memory.bin": b"xz"}), recipe).parts

        assert (one.digest == moved.digest, one.digest == other.digest) == (True, False)

    @pytest.mark.parametrize(
        ("name", "files", "left"),
        [
            ("programs/main.txt.part", "**", True),
            ("memory.bin.FILEPART", "**", True),
            ("memory.bin.tmp", "**", True),
            ("part.txt", "**", False),
            ("programs/weld.part", "programs/*.part", False),
            ("programs/weld.tmp", "programs/*.part", True),
        ],
    )
    def test_what_a_copy_leaves_that_did_not_finish(self, name: str, files: str, left: bool, tmp_path: Path) -> None:  # noqa: FBT001
        """Unless the recipe itself names such files."""
        recipe = Recipe("any", (PartRule("programs", (files,), 0, Checks()),))

        found = sealed(write_folder(tmp_path / "set", {name: b"x"}), recipe)

        assert odd(found) == ([f"{name} is named as a copy that did not finish"] if left else [])
        assert found.complete

    @pytest.mark.parametrize(
        "file",
        [
            pytest.param("axis-zero.csv", id="axis-zero-missing"),
            pytest.param("memory.bin", id="image-missing"),
            pytest.param("settings.toml", id="identity-missing"),
        ],
    )
    def test_through_the_command_line_a_missing_file_is_a_hold(self, file: str, plant: Plant) -> None:
        plant.save("arm-07", files={path: data for path, data in content("arm-07").items() if path != file})
        plant.ready()

        asked = plant.ask()

        assert (asked.code, asked.answer["set"], asked.codes) == (20, None, {"incomplete-set"})


class TestIdentity:
    """Where a recipe names an identity, a set that does not tell one is not complete; whose it is, others judge."""

    PATTERN = 'serial = "(?P<serial>[^"]+)"'

    @pytest.mark.parametrize(
        ("files", "identity"),
        [
            pytest.param({"settings.toml": b'serial = "RC-0771"\n'}, "RC-0771", id="told"),
            pytest.param({"settings.toml": b'\n\nx = 1\r\nserial = "RC-0771"'}, "RC-0771", id="told-further-down"),
            pytest.param({"settings.toml": b'serial = "A"\nserial = "B"\n'}, "A", id="told-twice"),
            pytest.param({"settings.toml": b'\xffserial = "RC-\xff"\n'}, "RC-\ufffd", id="no-utf-8"),
            pytest.param({"settings.toml": b'serial = ""\n'}, None, id="empty"),
            pytest.param({"settings.toml": b"serial\n"}, None, id="not-told"),
            pytest.param({"settings.toml": b""}, None, id="empty-file"),
            pytest.param({"other.toml": b'serial = "RC-0771"\n'}, None, id="no-such-file"),
            pytest.param({"old/settings.toml": b'serial = "RC-0771"\n'}, None, id="in-another-folder"),
        ],
    )
    @pytest.mark.parametrize("form", ["folder", "zip"])
    def test_it_is_read(self, files: dict[str, bytes], identity: str | None, form: str, tmp_path: Path) -> None:
        recipe = Recipe("standard", (), (), Identity("settings.toml", self.PATTERN, "serial"))
        where = write_folder(tmp_path / "set", files)

        found = sealed(where if form == "folder" else stored(where), recipe)

        assert (found.identity, found.complete) == (identity, identity is not None)
        assert faults(found) == ([] if identity else ["settings.toml does not tell which controller it was saved from"])

    def test_a_group_that_took_no_part_tells_nothing(self, tmp_path: Path) -> None:
        recipe = Recipe("standard", (), (), Identity("a", "serial(?P<serial> [0-9]+)?", "serial"))

        assert sealed(write_folder(tmp_path / "set", {"a": b"serial"}), recipe).identity is None

    def test_through_the_command_line_another_arms_identity_is_told(self, plant: Plant) -> None:
        plant.save("arm-07", files=content("arm-07") | {"settings.toml": b'serial = "RC-0971"\n'})
        plant.ready()

        assert (plant.ask().code, plant.ask().codes) == (20, {"wrong-arm"})


def test_checks_of_the_configuration_reach_the_files(plant: Plant) -> None:
    """`starts-with` and `max-size` as they are written in the configuration."""
    checks = 'checks = { min-size = "64 KiB", max-size = "1 MiB", starts-with = "00 01 02", not-blank = true }'
    plant.configure(recipe=RECIPE.replace('checks = { min-size = "64 KiB", not-blank = true }', checks))
    plant.save("arm-07")
    plant.save("arm-09", files=content("arm-09") | {"memory.bin": b"\1" + bytes(1 << 20)})
    plant.init()
    plant.look()

    (sound,), (unsound,) = plant.sets(), plant.sets("arm-09")

    assert (sound["proof"], sound["problems"]) == ("complete", [])
    assert [problem["message"] for problem in unsound["problems"]] == [
        "image: memory.bin has 1048577 B, at most 1048576 B expected",
        "image: memory.bin begins with 01 00 00, 00 01 02 expected",
    ]
