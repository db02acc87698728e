"""Input that is small, and that would cost seconds or gigabytes if it were read as it asks to be.

Each of these was seen to break the bound, and stands on the bound's other side now: see tests/fuzz/bounds.py.
"""

from __future__ import annotations

import io
import re
import struct
import tarfile
import zipfile
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from guard.config import parse
from guard.errors import ConfigFaults
from guard.ical.read import Bounds, read
from guard.ical.refusals import CalendarRefused
from guard.plan.calendar import Read, Reader
from guard.plan.refusals import StepsFaulty
from guard.plant import ArchiveLimits
from guard.share.layout import NOTHING_YET, Layout, LayoutFault, Segment
from guard.share.recipe import pattern
from guard.visit_file import read_steps
from tests.fuzz.bounds import bounded
from tests.reading import LIMITS, faults, odd, sealed, write_folder

USUAL = ArchiveLimits(members=200_000, content_bytes=64 << 30, expansion=200)
BLOCK = 512


def fault_of(place: Path, suffix: str, data: bytes, limits: ArchiveLimits = USUAL) -> str:
    """The one fault of an archive, found within the bounds."""
    where = place / f"set{suffix}"
    where.write_bytes(data)
    with bounded(suffix):
        found = sealed(where, limits=limits)
    (fault,) = faults(found)
    assert not found.complete
    return fault.removeprefix("the archive cannot be read: ")


def zipped(name: str, data: bytes, method: int) -> bytes:
    made = io.BytesIO()
    with zipfile.ZipFile(made, "w", method) as archive:
        archive.writestr(name, data)
    return made.getvalue()


def header(name: str, size: int = 0, kind: bytes = tarfile.REGTYPE) -> bytes:
    info = tarfile.TarInfo(name)
    info.size, info.type = size, kind
    return info.tobuf(tarfile.GNU_FORMAT)


def extended(content: bytes, kind: bytes = tarfile.XHDTYPE) -> bytes:
    """An extended header with this content, whatever it is."""
    return header("more", len(content), kind) + content + bytes(-len(content) % BLOCK)


END = bytes(2 * BLOCK)
UNLIKELY = "it has a header that no program writes"


class TestArchives:
    @pytest.mark.parametrize("method", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA], ids=["bzip2", "lzma"])
    def test_some_bytes_that_stand_for_hundreds_of_megabytes(self, method: int, tmp_path: Path) -> None:
        data = zipped("programs/a", bytes(128 << 20), method)
        assert len(data) < 100_000

        assert fault_of(tmp_path, ".zip", data) == "it expands more than 200 times (limits.archive-expansion)"

    @pytest.mark.parametrize("method", [zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA], ids=["bzip2", "lzma"])
    def test_content_that_differs_from_its_checksum(self, method: int, tmp_path: Path) -> None:
        data = bytearray(zipped("programs/a", b"move to rest\n", method))
        for start in (data.index(b"PK\3\4") + 14, data.index(b"PK\1\2") + 16):
            data[start] ^= 1

        assert fault_of(tmp_path, ".zip", bytes(data)) == ("programs/a does not have the checksum that its header says")

    def test_an_unpacker_that_asks_for_gigabytes(self, tmp_path: Path) -> None:
        data = bytearray(zipped("programs/a", b"move to rest\n", zipfile.ZIP_LZMA))
        dictionary = data.index(b"programs/a") + len("programs/a") + 5
        data[dictionary : dictionary + 4] = struct.pack("<L", 3 << 30)

        assert fault_of(tmp_path, ".zip", bytes(data)) == "it is packed with a dictionary of 3 GiB"

    @pytest.mark.parametrize("extra", [0, 1000], ids=["of-members", "of-extra-fields"])
    def test_a_directory_larger_than_its_members_need(self, extra: int, tmp_path: Path) -> None:
        """Python reads it into memory whole, and makes an object of every member, before anybody can count them."""
        count = 600_000 if not extra else 55_000
        entry = struct.pack(
            "<4s4B4HL2L5H2L", b"PK\1\2", 20, 3, 20, 0, 0, 0, 0, 0, 0, 0, 0, 1, extra, 0, 0, 0, 0, 0
        ) + b"x" + bytes(extra)  # fmt: skip
        directory = entry * count
        end = struct.pack("<4s4H2LH", b"PK\5\6", 0, 0, count & 0xFFFF, count & 0xFFFF, len(directory), 30, 0)
        data = b"PK\3\4" + bytes(26) + directory + end

        assert "(limits.archive-members)" in fault_of(tmp_path, ".zip", data)

    @pytest.mark.parametrize(
        "content",
        [
            pytest.param(b"1" * 200_000, id="digits"),
            pytest.param(b"1 hdrcharset=" * 40_000, id="encodings"),
        ],
    )
    def test_a_header_that_tarfile_reads_by_the_square_of_its_length(self, content: bytes, tmp_path: Path) -> None:
        """CVE-2024-6232."""
        assert fault_of(tmp_path, ".tar", extended(content) + header("a") + END) == UNLIKELY

    @pytest.mark.parametrize("digits", [255, 256])
    def test_a_name_of_digits(self, digits: int, tmp_path: Path) -> None:
        record = b"path=" + b"7" * digits + b"\n"
        content = b"%d %b" % (len(record) + 4, record)
        where = tmp_path / "set.tar"
        where.write_bytes(extended(content) + header("a") + END)

        assert faults(sealed(where)) == ([] if digits == 255 else [f"the archive cannot be read: {UNLIKELY}"])

    def test_headers_for_all_members_that_pile_up(self, tmp_path: Path) -> None:
        data = b""
        for member in range(8):
            records = (b" %d.%05d=v\n" % (member, number) for number in range(50_000))
            content = b"".join(b"%d%b" % (len(record) + 2, record) for record in records)
            data += extended(content, tarfile.XGLTYPE) + header(f"a{member}")

        assert fault_of(tmp_path, ".tar", data + END) == (
            "it has more headers for all its members than any program writes"
        )

    @pytest.mark.parametrize(
        ("name", "fits"),
        [
            pytest.param("x" * 255, True, id="longest-name"),
            pytest.param("x" * 256, False, id="longer-name"),
            pytest.param("/".join(["x"] * 2048), True, id="longest-path"),
            pytest.param("/".join(["x"] * 2049), False, id="longer-path"),
        ],
    )
    def test_a_name_that_no_system_makes(self, name: str, fits: bool, tmp_path: Path) -> None:  # noqa: FBT001
        where = tmp_path / "set.tar"
        with tarfile.open(where, "w") as archive:
            archive.addfile(tarfile.TarInfo(name))

        assert (faults(sealed(where)) == []) is fits

    def test_more_odd_members_than_anybody_reads(self, tmp_path: Path) -> None:
        where = tmp_path / "set.tar"
        with tarfile.open(where, "w") as archive:
            for number in range(150):
                link = tarfile.TarInfo(f"link{number:03}")
                link.type, link.linkname = tarfile.SYMTYPE, "/etc"
                archive.addfile(link)

        told = odd(sealed(where, limits=LIMITS))

        assert (len(told), told[0], told[-1]) == (
            101,
            "link000 is a link, which is not followed",
            "and 50 more of this kind, of 150",
        )


BAG = {"bagit.txt": b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n", "data/a": b"x"}


class TestChecksumLists:
    @pytest.mark.parametrize(
        ("name", "more"), [("SHA256SUMS", {"a": b"x"}), ("manifest-sha256.txt", BAG)], ids=["sums", "bag"]
    )
    def test_a_list_that_is_wrong_throughout(self, name: str, more: dict[str, bytes], tmp_path: Path) -> None:
        folder = write_folder(tmp_path / "set", {**more, name: b"x\n" * (4 << 20)})

        with bounded(name):
            found = sealed(folder)

        told = faults(found)
        assert (len(told), told[-1]) == (101, "and 900 more of this kind, of 1000")

    def test_many_manifests_and_a_long_list_of_what_to_fetch(self, tmp_path: Path) -> None:
        manifests = {f"manifest-x{number}.txt": b"0" * 32 + b"  data/a\n" for number in range(500)}
        fetched = {"fetch.txt": b"http://x - data/a\n" * 100_000}
        folder = write_folder(tmp_path / "set", {**BAG, **manifests, **fetched})

        with bounded("fetch"):
            assert not sealed(folder).complete


NOW = datetime(2026, 11, 26, tzinfo=UTC)
ENTRY = "BEGIN:VEVENT\nUID:a\nSUMMARY:power-down arm-07\nDTSTART:20261203T060000Z\nDURATION:PT8H\n{}END:VEVENT\n"


def read_in(entries: str, most: int = 5000) -> Read:
    """What a calendar with these entries plans, read within the bounds."""
    raw = f"BEGIN:VCALENDAR\nVERSION:2.0\n{entries}END:VCALENDAR\n".encode()
    reader = Reader({"arm-07": "finishing"}, ())
    with bounded("calendar"):
        return read("x.ics", raw, reader, UTC, NOW, Bounds(NOW + timedelta(days=400), most))


def why_left(more: str) -> str:
    """Why the one entry with these further lines is left."""
    (left,) = read_in(ENTRY.format(more)).left
    return left.why


class TestCalendars:
    @pytest.mark.parametrize(
        "line",
        [
            pytest.param(";X=" + "a" * 4_000_000 + ":y", id="one-parameter"),
            pytest.param(";a" * 2_000_000, id="many-parameters"),
            pytest.param(";" + '"a"' * 1_000_000, id="many-quotes"),
        ],
    )
    def test_a_line_of_megabytes(self, line: str) -> None:
        assert len(read_in(ENTRY.format(f"X{line}\n")).events) == 1

    def test_components_within_that_do_not_end(self) -> None:
        inner = "".join(f"BEGIN:A{number}\n" for number in range(8000))

        assert len(read_in(ENTRY.format(inner)).events) == 1

    @pytest.mark.parametrize("inner", [20, 21])
    def test_an_entry_with_alarms_is_read_whatever_their_number(self, inner: int) -> None:
        alarms = "BEGIN:VALARM\nSUMMARY:memory-swap\nEND:VALARM\n" * inner

        (event,) = read_in(ENTRY.format(alarms)).events

        assert event.kind == "power-down"

    def test_a_rule_of_thousands_of_numbers(self) -> None:
        rule = "RRULE:FREQ=YEARLY;BYYEARDAY=" + ",".join(map(str, range(1, 366))) + ";BYSETPOS="

        assert len(read_in(ENTRY.format("RRULE:FREQ=YEARLY;BYSETPOS=1\n")).events) == 2
        assert why_left(rule + ",".join(["1"] * 100_000) + "\n") == (
            f"RRULE has {len(rule) - 6 + 199_999} characters; at most 2000 are read"
        )

    @pytest.mark.parametrize("line", ["EXDATE:20261203T060000Z\n", "RDATE:20261204T060000Z\n"])
    def test_times_without_end(self, line: str) -> None:
        assert why_left(line * 100_000).endswith("lines that say when and by whom; at most 10000 are read")

    @pytest.mark.parametrize("broken", [10, 11])
    def test_entries_that_cannot_be_read_are_counted_as_those_that_can(self, broken: int) -> None:
        entries = "".join(f"BEGIN:VEVENT\nUID:{n}\nSUMMARY:power-down arm-07\nEND:VEVENT\n" for n in range(broken))

        if broken == 10:
            assert len(read_in(entries, most=10).left) == 10
        else:
            with pytest.raises(CalendarRefused, match="more than 10 of its entries"):
                read_in(entries, most=10)


LEAST = '[plant]\nname = "x"\ntimezone = "UTC"\n[share]\npath = "share"\n[[arms]]\nid = "arm-07"\n'
MORE = "there may be more faults than these; put these right first"


def faults_of(text: str, read: Callable[[str, bytes], object] = parse) -> list[str]:
    """What is wrong with a configuration, found within the bounds."""
    with bounded("configuration"), pytest.raises(ConfigFaults) as refused:
        read("/x/guard.toml", text.encode())
    return [f"{fault.line}: {fault.wrong}; {fault.right}" for fault in refused.value.faults]


class TestConfigurations:
    @pytest.mark.parametrize("spaces", [5000])
    def test_a_text_that_looks_like_the_beginning_of_a_table(self, spaces: int) -> None:
        (fault,) = faults_of(f'{LEAST}[x]\ny = """\n[{" " * spaces}\n"""\n')

        assert fault.startswith("8: is no key that is known")

    @pytest.mark.parametrize(
        "lines",
        [
            pytest.param("".join(f"k{n} = 1\n" for n in range(10_000)), id="keys"),
            pytest.param('[[arms]]\nid = "arm-07"\n' * 5_000, id="arms"),
            pytest.param("".join(f"[recipes.r{n}]\nq = 1\n" for n in range(5_000)), id="recipes"),
        ],
    )
    def test_faults_without_end(self, lines: str) -> None:
        told = faults_of(LEAST + lines)

        assert (len(told), told[-1]) == (51, f"None: {MORE}")

    @pytest.mark.parametrize("names", ["a", '"a b"', "'a b'"], ids=["bare", "quoted", "literal"])
    def test_a_key_of_thousands_of_names(self, names: str) -> None:
        """Python's reader would take 2 GiB for 40 kB."""
        assert faults_of(LEAST + f"{names}." * 20_000 + "a = 1\n") == [
            "8: this is no TOML: a key of more than 32 names (at line 8); see the examples in config/"
        ]

    def test_the_steps_of_a_visit_are_read_with_the_same_care(self, tmp_path: Path) -> None:
        steps = tmp_path / "visit.toml"
        for text in ("a." * 20_000 + "a = 1\n", "[[steps]]\n" * 10_000, "#" * (3 << 20)):
            steps.write_text(text)
            with bounded("steps"), pytest.raises(StepsFaulty):
                read_steps(str(steps))

    @pytest.mark.parametrize(
        ("rows", "wrong"),
        [
            pytest.param("arm-01\n" * 30_000, "has more than 20000 rows", id="rows"),
            pytest.param("\n" * (7 << 20), "has more than 20000 rows", id="empty-rows"),
            pytest.param("," * (9 << 20), "is larger than 8 MiB", id="bytes"),
        ],
    )
    def test_a_list_of_arms_without_end(self, rows: str, wrong: str, tmp_path: Path) -> None:
        (tmp_path / "arms.csv").write_text("id\n" + rows)
        text = f'arms-file = "{tmp_path / "arms.csv"}"\n' + LEAST.replace('[[arms]]\nid = "arm-07"\n', "")

        assert [wrong in fault for fault in faults_of(text)] == [True]


def plain(text: str, arm: str) -> re.Pattern[str]:
    """A name of a layout as a regular expression that tries everything."""
    return re.compile(
        re.sub(r"\\{area\\}|\\{any\\}", ".+?", re.escape(text))
        .replace(r"\{taken:%m\}", "([0-9]{2})")
        .replace(r"\{taken:%z\}", "(Z|[+-][0-9]{4})")
        .replace(r"\{any\}", ".+?")
        .replace(r"\{area\}", ".+?")
        .replace(r"\{arm\}", f"(?P<arm>{arm})", 1)
        .replace(r"\{arm\}", "(?P=arm)"),
        re.DOTALL,
    )


class TestNames:
    def test_a_layout_with_many_fields_and_a_name_of_nothing_but_separators(self) -> None:
        layout = Layout("{any}-{any}-{any}-{any}-{any}_{taken:%Y}/{arm}")

        with bounded("layout"):
            assert layout.segments[0].match("-" * 254, NOTHING_YET, ()) is None

    def test_an_arm_that_stands_twice_among_other_fields_is_refused(self) -> None:
        with pytest.raises(LayoutFault, match="leaves too much open"):
            Layout("{arm}-{any}-{any}-{arm}")
        Layout("{arm}-{any}-{arm}/{any}")

    @settings(max_examples=300, deadline=None)
    @given(st.data(), st.sampled_from([".+?", "a", "arm"]))
    def test_what_a_name_fits_is_what_it_would_fit_if_everything_were_tried(
        self, data: st.DataObject, arm: str
    ) -> None:
        fields = st.sampled_from(["{any}", "{area}", "{arm}", "-", "_", "a", "{taken:%m}", "{taken:%z}"])
        form = "".join(data.draw(st.lists(fields, min_size=1, max_size=7)))
        try:
            Layout(form)
        except LayoutFault:
            return
        words = st.text("-_a1", min_size=1, max_size=4) | st.sampled_from(["arm", "11", "Z", "+0100"])
        name = re.sub(r"\{[^}]*\}", lambda _: data.draw(words), form)
        found, expected = Segment(form)._compiled(arm).fullmatch(name), plain(form, arm).fullmatch(name)

        assert (found and found.groups()) == (expected and expected.groups())

    @pytest.mark.parametrize(
        ("glob", "path"),
        [
            pytest.param("**/a*a*a*a*a*b", "a" * 255, id="in-one-name"),
            pytest.param("**/x/**/x/**/x/**/x/**/b", "x/" * 500, id="over-names"),
        ],
    )
    def test_a_pattern_with_many_stars(self, glob: str, path: str) -> None:
        with bounded(glob):
            assert pattern((glob,)).fullmatch(path) is None

    @settings(max_examples=300, deadline=None)
    @given(
        st.lists(st.sampled_from(["**", "a", "b", "*", "?", "a*b", "*a", "*a*b*", "a?*"]), min_size=1, max_size=6),
        st.lists(st.text("ab", min_size=1, max_size=5), min_size=1, max_size=7),
    )
    def test_what_fits_a_pattern_is_what_would_fit_if_everything_were_tried(
        self, glob: list[str], path: list[str]
    ) -> None:
        assert (pattern(("/".join(glob),)).fullmatch("/".join(path)) is not None) == _fits(glob, path)


def _fits(glob: list[str], path: list[str]) -> bool:
    """Whether names fit a pattern's: ``**`` stands for any number of them, and at the end for one at least."""
    if not glob or not path:
        return not glob and not path
    if glob[0] == "**":
        if len(glob) == 1:
            return True
        return _fits(glob[1:], path) or _fits(glob, path[1:])
    one = re.escape(glob[0]).replace(r"\*", ".*").replace(r"\?", ".")
    return re.fullmatch(one, path[0]) is not None and _fits(glob[1:], path[1:])
