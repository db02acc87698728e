"""What a medium holds: names and sizes by its file system's type, from both sides of each limit, and by trying them."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from guard.model import FileFacts
from guard.share.medium import LARGEST_ON_FAT, folders_of, medium_of, probed, room_for, same_but_for_case, unfit


def files(*paths: str, size: int = 1) -> list[FileFacts]:
    return [FileFacts(path, size, None, b"", b"") for path in paths]


def refused(kind: str, *paths: str) -> list[str]:
    return [each.path for each in unfit(files(*paths), kind)]


HELD_BY_NO_FAT = [
    *(pytest.param(f"a{sign}b", f"holds the reserved sign {sign!r}", id=f"sign-{ord(sign)}") for sign in '"*:<>?\\|\x01\n\x1f'),
    pytest.param("end.", "ends in a point or a space", id="point-at-the-end"),
    pytest.param("end ", "ends in a point or a space", id="space-at-the-end"),
    pytest.param("x" * 256, "has a name of more than 255 signs", id="256-signs"),
    pytest.param("\U0001f916" * 128, "has a name of more than 255 signs", id="256-units-of-utf-16"),
    pytest.param("con", "is the name of a device", id="device"),
    pytest.param("Com1.txt", "is the name of a device", id="device-with-ending"),
    pytest.param("lpt9 .x", "is the name of a device", id="device-with-space"),
]  # fmt: skip
HELD_BY_FAT = [
    "a b", " a", ".hidden", "a.b.c", "x" * 255, "ü" * 255, "\U0001f916" * 127, "console", "com0", "com10", "lpt", "a%b",
    "~1", "#$&'()+,;=@[]^`{}", "\x7f", "溶接",
]  # fmt: skip


class TestByType:
    """FAT and exFAT with long names (Microsoft, exFAT specification 7.7.3; FAT32 specification 1.03)."""

    @pytest.mark.parametrize("kind", ["vfat", "msdos", "exfat", "ntfs3", "fuseblk", "cifs", "smb3", "fuse.fusefat"])
    @pytest.mark.parametrize(("name", "why"), HELD_BY_NO_FAT)
    @pytest.mark.parametrize("where", ["{}", "{}/x", "x/{}"])
    def test_what_it_cannot_hold(self, kind: str, name: str, why: str, where: str) -> None:
        (found,) = unfit(files(where.format(name)), kind)
        assert (found.path, found.why) == (where.format(name).removesuffix("/x"), why)

    @pytest.mark.parametrize("kind", ["vfat", "exfat"])
    @pytest.mark.parametrize("name", HELD_BY_FAT)
    def test_what_it_can(self, kind: str, name: str) -> None:
        assert refused(kind, name, f"x/{name}") == []

    @pytest.mark.parametrize("kind", ["ext4", "xfs", "tmpfs", "nfs4", "", "fuse.sshfs"])
    def test_elsewhere_a_name_is_255_bytes_long_at_most(self, kind: str) -> None:
        assert refused(kind, "a:b", "end.", "con", "A", "a", "x" * 255, "ü" * 127) == []
        assert refused(kind, "x" * 256, f"y/{'ü' * 128}/z") == ["x" * 256, f"y/{'ü' * 128}"]

    @pytest.mark.parametrize("kind", ["ext4", "vfat"])
    def test_what_is_no_utf_8_no_bag_can_name(self, kind: str) -> None:
        assert refused(kind, "a\udcff", "b") == ["a\udcff"]

    @pytest.mark.parametrize(
        ("paths", "expected"),
        [
            pytest.param(("a", "A"), ["a"], id="files"),
            pytest.param(("P/x", "p/y"), ["p"], id="folders"),
            pytest.param(("P/x", "p/X"), ["p", "p/X"], id="folders-and-files"),
            pytest.param(("ä", "Ä"), ["ä"], id="umlauts"),
            pytest.param(("ß", "ss"), [], id="no-letter-of-two-signs"),
            pytest.param(("a", "b/A"), [], id="in-different-folders"),
            pytest.param(("a", "a.b"), [], id="different"),
        ],
    )
    def test_names_that_differ_in_case_only(self, paths: tuple[str, ...], expected: list[str]) -> None:
        assert refused("exfat", *paths) == expected
        assert [each.path for each in same_but_for_case(paths)] == expected
        assert refused("ext4", *paths) == []

    @pytest.mark.parametrize(
        ("kind", "size", "count"),
        [
            pytest.param("vfat", LARGEST_ON_FAT, 0, id="fat-at-the-limit"),
            pytest.param("vfat", LARGEST_ON_FAT + 1, 1, id="fat-one-over"),
            pytest.param("exfat", LARGEST_ON_FAT + 1, 0, id="exfat"),
            pytest.param("ext4", LARGEST_ON_FAT + 1, 0, id="ext4"),
        ],
    )
    def test_sizes(self, kind: str, size: int, count: int) -> None:
        assert LARGEST_ON_FAT == (4 << 30) - 1
        assert len(unfit(files("image.bin", size=size), kind)) == count


class TestByTrying:
    def test_a_folder_of_this_computer(self, tmp_path: Path) -> None:
        sizes = {"a:b/x": 1, "end.": 1, "A": 1, "a": 1, "ü" * 100: 1, "new\nline": 1, "big": LARGEST_ON_FAT + 1}

        assert probed(str(tmp_path), sizes) == []
        assert list(tmp_path.iterdir()) == []

    def test_what_it_does_not_take_is_named_and_nothing_is_left(self, tmp_path: Path) -> None:
        found = probed(str(tmp_path), {"y" * 256: 1, "x/" + "ü" * 128: 1, "fine:": 1})

        assert sorted(each.path for each in found) == ["x/" + "ü" * 128, "y" * 256]
        assert list(tmp_path.iterdir()) == []

    def test_a_size_that_no_file_system_has(self, tmp_path: Path) -> None:
        assert [each.path for each in probed(str(tmp_path), {"a": 1, "b": 2**63 - 1})] in ([], ["b"])
        assert list(tmp_path.iterdir()) == []

    def test_what_a_folder_lies_on(self, tmp_path: Path) -> None:
        found = medium_of(str(tmp_path))

        assert found.device == tmp_path.stat().st_dev
        assert found.free_bytes
        assert found.cluster_bytes > 0
        assert os.path.ismount(found.point)


@given(st.lists(st.integers(0, 10**9)), st.sampled_from([512, 4096, 32768]))
def test_room_is_never_less_than_the_content_and_counts_whole_clusters(sizes: list[int], cluster: int) -> None:
    room = room_for(sizes, cluster)

    assert room % cluster == 0
    assert sum(sizes) <= room < sum(sizes) + cluster * max(len(sizes), 1)


@given(st.lists(st.text("ab/", min_size=1).filter(lambda path: "//" not in path and path.strip("/") == path)))
def test_folders_are_all_those_on_the_way(paths: list[str]) -> None:
    assert folders_of(paths) == {"/".join(path.split("/")[:n]) for path in paths for n in range(1, path.count("/") + 1)}
