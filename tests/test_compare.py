"""`guard compare`: by part, and within texts, tables and other files; folders and archives; whatever they hold."""

from __future__ import annotations

import hashlib
import shutil
import tarfile
import zipfile
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from guard.clock import now
from guard.comparison import (
    MOST_LINES,
    MOST_ROWS,
    Cell,
    TableChange,
    TextChange,
    Untold,
    difference,
    table_change,
    text_change,
)
from guard.share.contents import BLOCK_BYTES, WHOLE_BYTES
from tests.plant import Plant, Result, content, stamp, touch

HOUR = timedelta(hours=1)

ZERO = b"axis,count,offset\n1,10452,0.10\n2,-883,0.25\n"
BIG = bytes(range(256)) * (3 * WHOLE_BYTES // 256)


def saved(plant: Plant, changed: dict[str, bytes | None], age: timedelta, form: str = "folder") -> str:
    """Save a set like the usual one but for these files, as a folder or an archive; returns its path."""
    files = {**content("arm-07", "always"), "axis-zero.csv": ZERO, "memory.bin": BIG, **changed}
    path = plant.save("arm-07", age, files={name: data for name, data in files.items() if data is not None})
    folder, name = plant.share / path, stamp(now() - age)
    if form == "folder":
        return path
    archive = folder.with_name(f"{name}.{form}")
    if form == "zip":
        with zipfile.ZipFile(archive, "w", zipfile.ZIP_DEFLATED) as packed:
            for file in sorted(folder.rglob("*")):
                packed.write(file, f"{name}/{file.relative_to(folder)}")
    else:
        with tarfile.open(archive, "w:gz" if form == "tgz" else "w") as tar:
            tar.add(folder, name)
    shutil.rmtree(folder)
    touch(archive, now() - age)
    return f"{path}.{form}"


def compared(plant: Plant, changed: dict[str, bytes | None], forms: tuple[str, str] = ("folder", "folder")) -> Result:
    """The screen that compares the usual set with one in which these files are changed."""
    paths = saved(plant, {}, 6 * HOUR, forms[0]), saved(plant, changed, 5 * HOUR, forms[1])
    plant.look()
    return plant.run("compare", *paths)


@pytest.fixture(scope="module")
def begun(tmp_path_factory: pytest.TempPathFactory) -> Plant:
    """A plant of one arm, whose share has its marker."""
    made = Plant(tmp_path_factory.mktemp("begun") / "plant", ("arm-07",))
    made.init()
    return made


@pytest.fixture
def plant(begun: Plant, tmp_path: Path) -> Plant:
    """That plant, for one test."""
    return begun.copy(tmp_path / "plant")


CHANGED: dict[str, bytes | None] = {
    "axis-zero.csv": ZERO.replace(b"-883", b"-884").replace(b"0.10", b"0.30"),
    "programs/main.txt": None,
    "programs/new.txt": b"new\n",
    "programs/weld.txt": b"move to seam\nopen gripper\narm-07",
    "memory.bin": BIG[: WHOLE_BYTES + 70_000] + b"\x99" + BIG[WHOLE_BYTES + 70_001 :],
    "history/log.txt": b"another save\n",
}


@pytest.mark.parametrize(
    "forms", [("folder", "folder"), ("zip", "folder"), ("folder", "tgz"), ("tar", "zip")], ids="-".join
)
def test_by_part_and_within_the_files(plant: Plant, forms: tuple[str, str]) -> None:
    done = compared(plant, CHANGED, forms)
    assert (done.code, done.err) == (0, "")
    rows = [line for line in done.out.splitlines()[4:] if line]
    assert rows[:21] == [
        "axis-zero: 1 changed",
        " WARNING: with other axis zero references the arm may move elsewhere than taught, and people can be hurt.",
        " ~ axis-zero.csv (changed, 43 B)",
        "                before  after  difference",
        "     1  offset    0.10   0.30       +0.20",
        "     2  count     -883   -884          -1",
        "image: 1 changed",
        f" ~ memory.bin (changed, 768 KiB ({len(BIG)} B))",
        f"     first difference at byte {WHOLE_BYTES + 70_000}: 0x{BIG[WHOLE_BYTES + 70_000]:02x} before, 0x99 now",
        "programs: 1 added, 1 removed, 1 changed",
        " - programs/main.txt (removed, 32 B)",
        " + programs/new.txt (added, 4 B)",
        " ~ programs/weld.txt (changed, 33 B before, 32 B now)",
        "     @@ -1,3 +1,3 @@",
        "       move to seam",
        "     - close gripper",
        "     + open gripper",
        "       arm-07",
        "volatile: 1 changed",
        " ~ history/log.txt (changed, 13 B)",
        rows[20],
    ]
    assert "lockout/tagout" in rows[20]


def test_json_is_the_contracts(plant: Plant) -> None:
    compared(plant, CHANGED)
    paths = [each["path"] for each in plant.sets()]
    found = plant.run("compare", *paths, "--json").json
    parts = found.pop("parts")
    assert found == {
        "schema": 1,
        "same": False,
        "added": ["programs/new.txt"],
        "removed": ["programs/main.txt"],
        "changed": ["axis-zero.csv", "history/log.txt", "memory.bin", "programs/weld.txt"],
        "volatile_only": False,
    }
    assert list(parts) == ["axis-zero", "image", "programs", "volatile"]
    mirrored = plant.run("compare", *reversed(paths), "--json").json
    assert (mirrored["added"], mirrored["removed"]) == (found["removed"], found["added"])
    same = plant.run("compare", paths[0], paths[0], "--json").json
    assert (same["same"], same["added"], same["removed"], same["changed"]) == (True, [], [], [])


@pytest.mark.parametrize("words", [(), ("--json",)])
def test_sets_of_which_nothing_was_read_are_never_called_the_same(plant: Plant, words: tuple[str, ...]) -> None:
    plant.config.write_text(plant.config.read_text("utf-8").replace('settle = "0s"', 'settle = "2m"'), encoding="utf-8")
    paths = [plant.save("arm-07", timedelta(hours=hours)) for hours in (6, 30)]
    for path in paths:
        touch(plant.share / path, now())
    plant.init()
    plant.look("--wait", "0s")
    done = plant.run("compare", *paths, *words)
    assert (done.code, done.out) == (2, "")
    assert "was not read yet, so nothing can be said" in done.err


def test_an_archive_that_cannot_be_read_is_told_to_be_such(plant: Plant) -> None:
    whole, cut = plant.save("arm-07"), "arm-07/2026-01-02_0304.zip"
    (plant.share / cut).write_bytes(b"PK\x03\x04 and no more")
    plant.init()
    plant.look()
    done = plant.run("compare", whole, cut)
    assert done.code == 2
    assert f"{cut} cannot be read, so nothing can be said of how it differs. Why: guard set show {cut}" in done.err


def test_where_only_volatile_files_differ_nothing_is_looked_into(plant: Plant) -> None:
    done = compared(plant, {"history/log.txt": b"another save\n"})
    assert "Only volatile files differ." in done.out
    assert "@@" not in done.out
    assert "lockout/tagout" not in done.out


def test_a_checksum_list_differs_with_what_it_lists(plant: Plant) -> None:
    sums = hashlib.sha256(ZERO).hexdigest().encode() + b"  axis-zero.csv\n"
    done = compared(plant, {"history/log.txt": b"another save\n", "SHA256SUMS": sums})
    assert "Only volatile files differ." in done.out
    assert "volatile: 1 added, 1 changed" in done.out


def test_a_folder_called_data_is_a_payload_in_a_bag_only(plant: Plant) -> None:
    files: dict[str, bytes | None] = {"data/history/log.txt": b"another save\n", "data/axis-zero.csv": ZERO}
    done = compared(plant, files)
    assert "of no part: 2 added" in done.out
    assert "volatile" not in done.out
    assert "axis-zero: " not in done.out

    done = compared(plant.copy(plant.root / "bag"), {**files, "bagit.txt": b"BagIt-Version: 1.0\n"})
    assert "volatile: 2 added" in done.out
    assert "axis-zero: 1 added" in done.out


def test_what_a_file_or_its_name_holds_steers_no_terminal(plant: Plant) -> None:
    hostile = "programs/\x1b[2J\u202eweld.txt"
    files = {hostile: b"x", "programs/weld.txt": "one\n\u009b2J\u202etwo\n".encode()}
    done = compared(plant, files)  # type: ignore[arg-type]
    assert "programs/\\x1b[2J\\u202eweld.txt (added, 1 B)" in done.out
    assert "+ \\x9b2J\\u202etwo" in done.out
    assert not {"\x1b", "\u202e", "\u009b"} & set(done.out)


def test_a_set_that_changed_since_it_was_read_is_not_shown_as_what_was_read(plant: Plant) -> None:
    compared(plant, CHANGED)
    first, second = (each["path"] for each in plant.sets())
    (plant.share / second / "programs/weld.txt").write_bytes(b"something else\n")
    done = plant.run("compare", first, second)
    assert "it was changed since it was read" in done.out
    assert "something else" not in done.out


def test_where_the_share_is_gone_the_files_that_differ_are_told_all_the_same(plant: Plant) -> None:
    compared(plant, CHANGED)
    first, second = (each["path"] for each in plant.sets())
    plant.share.rename(plant.root / "away")
    done = plant.run("compare", first, second)
    assert done.code == 0
    assert "it cannot be looked into now: the set is not there" in done.out
    assert "programs: 1 added, 1 removed, 1 changed" in done.out


def test_a_link_on_the_way_is_not_followed(plant: Plant) -> None:
    compared(plant, CHANGED)
    first, second = (each["path"] for each in plant.sets())
    (plant.share / second).rename(plant.root / "elsewhere")
    (plant.share / second).symlink_to(plant.root / "elsewhere")
    assert "a folder on the way to it is a link" in plant.run("compare", first, second).out


@pytest.mark.parametrize(
    ("cut", "told"),
    [
        pytest.param(BLOCK_BYTES * 5, "the end now", id="shorter-at-a-block"),
        pytest.param(BLOCK_BYTES * 5 + 7, "the end now", id="shorter-within-one"),
    ],
)
def test_a_file_that_was_cut_off_differs_where_it_ends(plant: Plant, cut: int, told: str) -> None:
    done = compared(plant, {"memory.bin": BIG[:cut]})
    assert f"first difference at byte {cut}: 0x{BIG[cut]:02x} before, {told}" in done.out


@pytest.mark.parametrize("at", [0, BLOCK_BYTES - 1, BLOCK_BYTES, len(BIG) - 1])
def test_boundaries_of_blocks(plant: Plant, at: int) -> None:
    done = compared(plant, {"memory.bin": BIG[:at] + bytes([BIG[at] ^ 1]) + BIG[at + 1 :]}, ("folder", "tgz"))
    assert f"first difference at byte {at}: 0x{BIG[at]:02x} before, 0x{BIG[at] ^ 1:02x} now" in done.out


class TestTables:
    def test_rows_are_matched_by_their_names(self) -> None:
        old, new = "axis;zero\nA;1,50\nB;2\n", "axis;zero\nB;2\nC;3\nA;1,25\n"
        assert table_change(old, new) == TableChange(
            (Cell("A", "zero", "1,50", "1,25", "-0.25"), Cell("C", "zero", "", "3", "")), 0
        )

    def test_where_names_are_there_twice_rows_are_matched_by_their_place(self) -> None:
        assert table_change("1,2\n1,3\n", "1,2\n1,4\n") == TableChange((Cell("row 2", "column 2", "3", "4", "+1"),), 0)

    @pytest.mark.parametrize("text", ["", "no table", "a,b\nc,d\n", "1\n2\n", '"' * 9])
    def test_what_is_no_table_of_numbers_is_compared_as_text(self, text: str) -> None:
        assert table_change(text, "axis,count\n1,2\n") is None

    @pytest.mark.parametrize(
        ("before", "after", "separator", "expected"),
        [
            ("0.1", "0.3", ",", "+0.2"),
            ("-883", "-884", ",", "-1"),
            ("1,5", "2", ";", "+0.5"),
            ("1e99", "1", ",", f"-{'9' * 99}"),
            ("x", "1", ",", ""),
            ("1e999999", "1", ",", ""),
            ("nan", "1", ",", ""),
            ("\u0661", "1", ",", ""),
        ],
    )
    def test_differences_are_exact(self, before: str, after: str, separator: str, expected: str) -> None:
        assert difference(before, after, separator) == expected

    def test_a_long_one_is_cut(self) -> None:
        old, new = ("\n".join(f"{n},{n + more}" for n in range(99)) for more in (0, 1))
        found = table_change(old, new)
        assert found is not None
        assert (len(found.cells), found.left) == (MOST_ROWS, 99 - MOST_ROWS)

    @settings(max_examples=100, database=None)
    @given(st.text('0123456789,;\n"-.eax \t', max_size=60), st.text('0123456789,;\n"-.eax \t', max_size=60))
    def test_any_two_texts_can_be_compared(self, old: str, new: str) -> None:
        found = table_change(old, new)
        assert found is None or found.cells
        assert isinstance(text_change(old, new), TextChange | Untold)


class TestTexts:
    def test_too_long_ones_are_told_to_be(self) -> None:
        assert text_change("x\n" * MOST_LINES, "x\n" * (MOST_LINES + 1)) == Untold(
            f"it has more than {MOST_LINES} lines: {MOST_LINES} before, {MOST_LINES + 1} now"
        )

    def test_only_the_ends_of_lines(self) -> None:
        assert text_change("a\nb\n", "a\r\nb\r\n") == Untold("only the ends of its lines differ")

    def test_a_long_difference_is_cut(self) -> None:
        found = text_change("", "\n".join(map(str, range(99))))
        assert isinstance(found, TextChange)
        assert (len(found.lines), found.left) == (MOST_ROWS, 100 - MOST_ROWS)

    def test_lines_that_begin_like_a_header_are_lines(self) -> None:
        found = text_change("-- a\n", "++ a\n")
        assert isinstance(found, TextChange)
        assert found.lines[1:] == ("--- a", "+++ a")
