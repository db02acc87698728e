"""What a path is mounted from: the kernel's table read as the kernel walks it, and whether to trust events there."""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from guard.share import mounts
from guard.share.mounts import Mount, is_network, is_network_type, mount_in, mount_of, way_on, way_to_watch

PLANT = rb"""21 27 0:20 / /proc rw,relatime - proc proc rw
27 1 254:0 / / rw,relatime - ext4 /dev/vda rw,discard
30 27 0:41 / /run rw,nosuid shared:5 - tmpfs tmpfs rw,size=800k
31 27 0:42 / /srv/backups rw,relatime shared:9 master:2 - cifs //files/robot\040backups rw,vers=3.1.1
32 31 0:43 / /srv/backups/old rw - nfs4 files:/old rw
33 27 254:0 /plant /srv/bound rw,relatime - ext4 /dev/vda rw,discard
34 27 0:44 / /mnt/two\040words\011and\134more rw - fuse.sshfs me@host:/\043set rw,user_id=0
35 27 8:1 / /mnt/s\303\274d rw - xfs /dev/sda1 rw
"""

HIDDEN = b"""27 1 254:0 / / rw - ext4 /dev/vda rw
40 27 0:50 / /a rw - tmpfs first rw
41 40 0:51 / /a/b rw - cifs //files/hidden rw
42 40 0:52 / /a rw - nfs files:/over rw
"""


class TestMountIn:
    """proc_pid_mountinfo(5): id, parent, device, root, mount point, options, optional fields, -, type, source, options.

    Space, tab, newline and backslash (and # in the source) stand as octal escapes.
    """

    @pytest.mark.parametrize(
        ("path", "expected"),
        [
            pytest.param("/", Mount("/", "ext4", "/dev/vda"), id="root"),
            pytest.param("/srv", Mount("/", "ext4", "/dev/vda"), id="below-root"),
            pytest.param("/srv/backups", Mount("/srv/backups", "cifs", "//files/robot backups"), id="mount-point"),
            pytest.param("/srv/backups/arm-07", Mount("/srv/backups", "cifs", "//files/robot backups"), id="below-it"),
            pytest.param("/srv/backups2", Mount("/", "ext4", "/dev/vda"), id="a-name-that-only-begins-so"),
            pytest.param("/srv/backups/old/x", Mount("/srv/backups/old", "nfs4", "files:/old"), id="mount-in-a-mount"),
            pytest.param("/srv/bound/x", Mount("/srv/bound", "ext4", "/dev/vda"), id="bind-mount"),
            pytest.param(
                "/mnt/two words\tand\\more/x",
                Mount("/mnt/two words\tand\\more", "fuse.sshfs", "me@host:/#set"),
                id="escapes",
            ),
            pytest.param("/mnt/süd/x", Mount("/mnt/süd", "xfs", "/dev/sda1"), id="name-in-utf-8"),
        ],
    )
    def test_the_mount_that_a_path_lies_on(self, path: str, expected: Mount) -> None:
        assert mount_in(PLANT, path) == expected

    def test_a_later_mount_hides_what_is_mounted_below_the_earlier(self) -> None:
        over = Mount("/a", "nfs", "files:/over")
        assert (mount_in(HIDDEN, "/a"), mount_in(HIDDEN, "/a/b/c")) == (over, over)

    def test_of_two_on_one_point_the_last_is_seen(self) -> None:
        table = b"27 1 8:0 / / rw - ext4 a rw\n28 27 0:1 / /a rw - tmpfs b rw\n29 27 0:2 / /a rw - cifs c rw\n"
        assert mount_in(table, "/a/x") == Mount("/a", "cifs", "c")

    def test_in_a_container_whose_top_is_listed_without_its_parent(self) -> None:
        table = b"612 498 0:72 / / rw - overlay overlay rw\n613 612 8:1 /d /data rw - ext4 /dev/sda1 rw\n"
        assert mount_in(table, "/data/x") == Mount("/data", "ext4", "/dev/sda1")

    def test_where_nothing_covers_the_path(self) -> None:
        assert mount_in(b"613 612 8:1 / /data rw - ext4 /dev/sda1 rw\n", "/elsewhere") is None

    @pytest.mark.parametrize(
        "line",
        [
            pytest.param(b"", id="empty"),
            pytest.param(b"31 27 0:42 / /srv/backups rw cifs //files/x rw", id="no-dash"),
            pytest.param(b"31 27 - cifs //files/x rw", id="too-few-fields"),
            pytest.param(b"31 27 0:42 / /srv/backups rw - cifs", id="no-source"),
        ],
    )
    def test_a_line_that_cannot_be_understood_is_passed_over(self, line: bytes) -> None:
        table = line + b"\n27 1 254:0 / / rw - ext4 /dev/vda rw\n"
        assert mount_in(table, "/srv/backups") == Mount("/", "ext4", "/dev/vda")

    def test_a_mount_that_is_its_own_parent_ends(self) -> None:
        assert mount_in(b"1 1 0:1 / / rw - rootfs rootfs rw\n", "/x") == Mount("/", "rootfs", "rootfs")

    def test_a_table_whose_parents_go_in_a_circle_ends(self) -> None:
        assert mount_in(b"1 2 0:1 / / rw - ext4 a rw\n2 1 0:1 / / rw - ext4 b rw\n", "/x") is None

    @given(st.binary(max_size=300), st.lists(st.sampled_from(("a", "b", "..", " ")), max_size=4))
    def test_no_text_raises(self, noise: bytes, names: list[str]) -> None:
        mount_in(PLANT + noise + HIDDEN, "/" + "/".join(names))


EVENTS = ["ext4", "xfs", "btrfs", "zfs", "tmpfs", "overlay", "vfat", "exfat", "ntfs3", "fuse.fuse-overlayfs"]
POLLED = {
    "cifs": "network",
    "smb3": "network",
    "smbfs": "network",
    "nfs": "network",
    "nfs4": "network",
    "afs": "network",
    "ceph": "network",
    "glusterfs": "network",
    "ncpfs": "network",
    "fuse.sshfs": "network",
    "fuse.smbnetfs": "user space",
    "fuse": "user space",
    "fuseblk": "user space",
    "9p": "host",
    "virtiofs": "host",
    "vboxsf": "host",
    "autofs": "not known",
    "rootfs": "not known",
    "something-new": "not known",
}


class TestWay:
    """Events are trusted only where it is known that the system tells of every change; else the share is polled."""

    @pytest.mark.parametrize("kind", EVENTS)
    def test_events(self, kind: str) -> None:
        way = way_on(Mount("/", kind, "x"))
        assert (way.kind, kind in way.why) == ("events", True)

    @pytest.mark.parametrize("kind", POLLED)
    def test_poll(self, kind: str) -> None:
        way = way_on(Mount("/", kind, "x"))
        assert (way.kind, kind in way.why, POLLED[kind] in way.why) == ("poll", True, True)

    def test_poll_where_the_system_does_not_tell(self) -> None:
        assert way_on(None).kind == "poll"

    def test_the_configuration_decides_where_it_says_so(self, tmp_path: Path) -> None:
        assert way_to_watch("poll", str(tmp_path)) == ("poll", "the configuration says so")
        assert way_to_watch("events", str(tmp_path)).kind == "events"

    @pytest.mark.skipif(sys.platform != "linux", reason="proc is mounted on Linux only")
    def test_events_against_better_knowledge_say_so(self) -> None:
        way = way_to_watch("events", "/proc")
        assert (way.kind, "although of a file system of type proc" in way.why) == ("events", True)

    @pytest.mark.parametrize(
        ("path", "drive", "kind"),
        [
            pytest.param(r"\\files\robots\share", 3, "poll", id="network-path"),
            pytest.param("//files/robots/share", 3, "poll", id="network-path-with-slashes"),
            pytest.param(r"\\?\UNC\files\robots", 3, "poll", id="long-network-path"),
            pytest.param(r"\\?\D:\share", 3, "events", id="long-local-path"),
            pytest.param(r"D:\share", 3, "events", id="fixed-drive"),
            pytest.param(r"D:\share", 2, "events", id="removable-drive"),
            pytest.param(r"Z:\share", 4, "poll", id="network-drive"),
            pytest.param(r"Z:\share", 0, "poll", id="unknown-drive"),
            pytest.param(r"Z:\share", 1, "poll", id="no-such-root"),
            pytest.param(r"Z:\share", 5, "poll", id="cd"),
        ],
    )
    def test_on_windows(self, path: str, drive: int, kind: str) -> None:
        assert mounts._way_on_windows(path, lambda _: drive).kind == kind


class TestIsNetwork:
    """A database is not kept where other computers may write."""

    @pytest.mark.parametrize("kind", ["cifs", "smb3", "nfs", "nfs4", "ceph", "fuse.sshfs", "fuse.smbnetfs", "fuse"])
    def test_it_is(self, kind: str) -> None:
        assert is_network_type(kind)

    @pytest.mark.parametrize("kind", [*EVENTS, "9p", "virtiofs", "fuseblk", "fuse.gocryptfs", "autofs", "rootfs"])
    def test_it_is_not_or_is_not_known_to_be(self, kind: str) -> None:
        assert not is_network_type(kind)

    def test_a_folder_for_tests_is_not(self, tmp_path: Path) -> None:
        assert not is_network(str(tmp_path))
        assert not is_network(str(tmp_path / "not" / "there" / "yet"))


@pytest.mark.skipif(sys.platform != "linux", reason="/proc/self/mountinfo is Linux's")
class TestOnThisComputer:
    """The parser against the kernel's own walk."""

    def test_as_findmnt_tells_it(self, tmp_path: Path) -> None:
        if shutil.which("findmnt") is None:
            pytest.skip("findmnt is missing")
        for path in (tmp_path, Path("/proc"), Path("/dev")):
            told = subprocess.run(
                ["findmnt", "--noheadings", "--output", "TARGET,FSTYPE", "--target", path],
                capture_output=True,
                text=True,
                check=True,
            ).stdout.split()
            mount = mount_of(str(path))
            assert mount is not None
            assert [mount.point, mount.type] == told

    def test_links_are_resolved(self, tmp_path: Path) -> None:
        link = tmp_path / "link"
        link.symlink_to("/proc")
        assert mount_of(str(link)) == mount_of("/proc")

    def test_a_mount_over_a_mount_with_one_below_it(self, tmp_path: Path) -> None:
        """Mounted for real in a namespace of its own: the one below the first is out of sight."""
        code = "import sys; from guard.share.mounts import mount_of; print(*mount_of(sys.argv[1])[1:])"
        place = tmp_path / "a place"
        place.mkdir()
        script = (
            'mount -t tmpfs first "$1" && mkdir "$1/b" && mount -t ramfs hidden "$1/b" && "$2" -c "$3" "$1/b/c" && '
            'mount -t tmpfs over "$1" && "$2" -c "$3" "$1/b/c"'
        )
        done = subprocess.run(
            ["unshare", "--user", "--map-root-user", "--mount", "sh", "-c", script, "sh", place, sys.executable, code],
            capture_output=True,
            text=True,
            env={**os.environ, "LC_ALL": "C"},
            check=False,
        )
        if "unshare failed" in done.stderr or "mount:" in done.stderr:
            pytest.skip(f"no namespace of its own: {done.stderr.strip()}")
        assert done.stdout.splitlines() == ["ramfs hidden", "tmpfs over"], done.stderr
