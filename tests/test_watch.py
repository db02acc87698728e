"""The watch on real folders: what changed wakes it under the right arm, and what it cannot hear it says."""

from __future__ import annotations

import os
import shutil
import signal
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from time import monotonic

import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as runs
from hypothesis import strategies as st

from guard.share.find import Found, find
from guard.share.layout import Layout
from guard.share.observer import Observer
from guard.share.watch import NO_ARM, Dirty, Watch, arms_by_path, watch_shortage
from tests.plant import as_ordinary_user

LAYOUTS = (Layout("{arm}/{taken:%Y-%m-%d_%H%M}"),)
ARMS = ("arm-07", "arm-09")
SET = "arm-07/2026-11-01_0510"
SOON_S = 1.0
"""Within this a change must have woken the monitor."""
LONG_S = 20.0
"""For how long a test waits before it gives up, on a machine that has other things to do."""

linux = pytest.mark.skipif(sys.platform != "linux", reason="inotify is Linux's")


class Watched:
    """A share under watch, and everything taken from the watch so far."""

    def __init__(self, root: Path, share: Path | None = None) -> None:
        self.share = share or root / "share"
        for arm in ARMS:
            (self.share / arm).mkdir(parents=True, exist_ok=True)
        self.woken = threading.Event()
        self.wakes = 0
        self.watch = Watch(str(self.share), arms_by_path(LAYOUTS, ARMS), self._wake)
        self.watch.start()
        assert self.watch.trouble() is None
        assert self.watch.take() == Dirty(frozenset(), everything=True)

    def _wake(self) -> None:
        self.wakes += 1
        self.woken.set()

    def until(
        self,
        *arms: str,
        everything: bool = False,
        within: float = LONG_S,
        after: Callable[[], None] = lambda: None,
    ) -> set[str]:
        """Take until these arms, or everything, were told, and return all arms that were; ``after`` is done first."""
        after()
        seen: set[str] = set()
        told_all = False
        deadline = monotonic() + within
        while not (seen.issuperset(arms) and told_all >= everything):
            assert self.woken.wait(deadline - monotonic()), f"only {seen} within {within} s"
            self.woken.clear()
            dirty = self.watch.take()
            seen |= dirty.arms
            told_all |= dirty.everything
        assert told_all == everything
        return seen

    def what_else(self) -> set[str]:
        """Which arms were told up to now: events come in order, so one more of another arm ends the row."""
        seen = self.until("arm-09", after=self.end_the_row)
        return (seen | self.until("arm-09", after=(self.share / "arm-09" / "end").unlink)) - {"arm-09"}

    def end_the_row(self) -> None:
        """Change something of arm-09 that is a single event: a link that leads nowhere."""
        (self.share / "arm-09" / "end").symlink_to("nowhere")


@pytest.fixture
def watched(tmp_path: Path) -> Iterator[Watched]:
    """A share of two arms under watch."""
    made = Watched(tmp_path)
    yield made
    made.watch.stop()


class TestHearing:
    """What changes on the share wakes, and is told under the arm whose folder it is in."""

    def test_a_file_in_a_new_set_wakes_within_a_second(self, watched: Watched) -> None:
        (watched.share / SET).mkdir()
        watched.until("arm-07", within=SOON_S)
        (watched.share / SET / "memory.bin").write_bytes(b"x")
        assert watched.until("arm-07", within=SOON_S) == {"arm-07"}

    def test_folders_in_new_folders(self, watched: Watched) -> None:
        deep = watched.share / SET / "a" / "b" / "c" / "d"
        deep.mkdir(parents=True)
        watched.what_else()
        (deep / "main.txt").write_bytes(b"x")
        assert watched.until("arm-07") == {"arm-07"}

    def test_a_set_copied_in_as_a_tree(self, watched: Watched, tmp_path: Path) -> None:
        deep = tmp_path / "made elsewhere" / "a" / "b"
        deep.mkdir(parents=True)
        (tmp_path / "made elsewhere").rename(watched.share / SET)
        watched.until("arm-07")
        watched.what_else()
        (watched.share / SET / "a" / "b" / "main.txt").write_bytes(b"x")
        assert watched.until("arm-07") == {"arm-07"}

    def test_an_archive_under_its_last_name(self, watched: Watched) -> None:
        arriving = watched.share / f"{SET}.zip.part"
        arriving.write_bytes(b"x")
        watched.until("arm-07")
        arriving.rename(watched.share / f"{SET}.zip")
        assert watched.until("arm-07") == {"arm-07"}

    def test_a_set_that_goes_from_one_arm_to_another_is_told_for_both(self, watched: Watched) -> None:
        (watched.share / SET / "programs").mkdir(parents=True)
        watched.what_else()
        (watched.share / SET).rename(watched.share / "arm-09" / "2026-11-01_0510")
        assert watched.until("arm-07", "arm-09") == {"arm-07", "arm-09"}
        (watched.share / "arm-09" / "2026-11-01_0510" / "programs" / "main.txt").write_bytes(b"x")
        assert watched.until("arm-09") == {"arm-09"}

    @pytest.mark.parametrize("change", ["written in place", "touched", "renamed", "removed", "its mode"])
    def test_a_change_of_a_file_that_is_there(self, tmp_path: Path, change: str) -> None:
        file = tmp_path / "share" / SET / "main.txt"
        file.parent.mkdir(parents=True)
        file.write_bytes(b"x")
        watched = Watched(tmp_path)
        if change == "written in place":
            with file.open("r+b") as handle:
                handle.write(b"y")
                handle.flush()
                assert watched.until("arm-07") == {"arm-07"}
        elif change == "touched":
            os.utime(file, (1, 1))
        elif change == "renamed":
            file.rename(file.with_name("other.txt"))
        elif change == "removed":
            file.unlink()
        else:
            file.chmod(0o600)
        assert watched.until("arm-07") == {"arm-07"}
        watched.watch.stop()

    def test_a_name_that_is_no_text(self, watched: Watched) -> None:
        os.mkdir(os.fsencode(watched.share / "arm-07") + b"/\xff\xfe")
        watched.until("arm-07")
        with open(os.fsencode(watched.share / "arm-07") + b"/\xff\xfe/x", "wb"):
            assert watched.until("arm-07") == {"arm-07"}

    def test_a_share_that_is_named_by_a_link(self, tmp_path: Path) -> None:
        (tmp_path / "real").mkdir()
        (tmp_path / "link").symlink_to(tmp_path / "real")
        watched = Watched(tmp_path, tmp_path / "link")
        (tmp_path / "real" / "arm-07" / "x").touch()
        assert watched.until("arm-07") == {"arm-07"}
        (tmp_path / "other").mkdir()
        (tmp_path / "link").unlink()
        (tmp_path / "link").symlink_to(tmp_path / "other")
        assert "no longer the share" in str(watched.watch.trouble())
        watched.watch.stop()

    def test_links_are_not_followed(self, watched: Watched, tmp_path: Path) -> None:
        (tmp_path / "outside").mkdir()
        (watched.share / "arm-07" / "link").symlink_to(tmp_path / "outside")
        watched.until("arm-07")
        (tmp_path / "outside" / "x").touch()
        assert watched.what_else() == set()

    def test_our_own_looking_and_reading_wakes_nobody(self, watched: Watched) -> None:
        file = watched.share / SET / "main.txt"
        file.parent.mkdir()
        file.write_bytes(b"x" * 100_000)
        watched.what_else()
        assert len(list(find(str(watched.share), LAYOUTS, ARMS))) == 1
        assert len(file.read_bytes()) == 100_000
        assert os.listdir(file.parent) == ["main.txt"]
        assert watched.what_else() == set()

    def test_the_root_s_mode_may_mean_anything(self, watched: Watched) -> None:
        watched.share.chmod(0o700)
        watched.until(everything=True)

    def test_what_belongs_to_no_arm_wakes_nobody(self, watched: Watched) -> None:
        (watched.share / "holiday").mkdir()
        (watched.share / "holiday" / "photo.jpg").touch()
        (watched.share / ".guard-holding").mkdir()
        (watched.share / "Thumbs.db").touch()
        assert watched.what_else() == set()

    def test_the_marker_means_everything(self, watched: Watched) -> None:
        (watched.share / ".guard-share.json").write_text("{}")
        watched.until(everything=True)


class TestBursts:
    """However many events there are, an arm is kept once and wakes once until it is taken."""

    def test_ten_thousand_files_are_one_arm(self, watched: Watched) -> None:
        (watched.share / SET).mkdir()
        watched.what_else()
        wakes = watched.wakes
        for number in range(10_000):
            os.close(os.open(f"{watched.share}/{SET}/{number}", os.O_CREAT | os.O_WRONLY))
        watched.end_the_row()
        while watched.wakes - wakes < len(ARMS):
            assert watched.woken.wait(LONG_S)
            watched.woken.clear()
        assert watched.wakes - wakes == len(ARMS)
        assert watched.watch.trouble() is None
        assert watched.watch.take() == Dirty(frozenset(ARMS), everything=False)
        assert watched.watch.take() == Dirty(frozenset(), everything=False)


class TestTrouble:
    """What the watch cannot hear it says, and gives everything to be looked at once."""

    def test_a_root_that_was_removed(self, watched: Watched) -> None:
        shutil.rmtree(watched.share)
        watched.until(everything=True)
        assert "no longer the share" in str(watched.watch.trouble())

    def test_a_root_that_was_renamed(self, watched: Watched, tmp_path: Path) -> None:
        watched.share.rename(tmp_path / "elsewhere")
        watched.until(everything=True)
        assert "no longer the share" in str(watched.watch.trouble())

    def test_a_root_that_was_replaced(self, watched: Watched, tmp_path: Path) -> None:
        watched.share.rename(tmp_path / "elsewhere")
        shutil.copytree(tmp_path / "elsewhere", watched.share)
        assert watched.watch.take().everything
        assert "no longer the share" in str(watched.watch.trouble())
        assert not watched.watch.take().everything

        watched.watch.start()
        assert watched.watch.trouble() is None
        assert watched.watch.take().everything
        (watched.share / "arm-07" / "x").touch()
        assert watched.until("arm-07") == {"arm-07"}

    def test_before_the_start_and_after_the_end(self, tmp_path: Path) -> None:
        watch = Watch(str(tmp_path), lambda _: NO_ARM, lambda: None)
        assert watch.trouble() == "it was not started"
        watch.start()
        assert watch.trouble() is None
        watch.stop()
        watch.stop()
        assert watch.trouble() == "it was stopped"

    def test_a_root_that_is_not_there(self, tmp_path: Path) -> None:
        watch = Watch(str(tmp_path / "share"), lambda _: NO_ARM, lambda: None)
        handles = len(os.listdir("/proc/self/fd")) if sys.platform == "linux" else 0
        for _ in range(3):
            watch.start()
            assert "cannot be watched: No such file" in str(watch.trouble())
            assert watch.take().everything
        (tmp_path / "share").mkdir()
        watch.start()
        assert watch.trouble() is None
        watch.stop()
        assert sys.platform != "linux" or len(os.listdir("/proc/self/fd")) == handles

    @pytest.mark.filterwarnings("ignore::pytest.PytestUnhandledThreadExceptionWarning")
    def test_a_watch_that_ended_by_itself(self, tmp_path: Path) -> None:
        woken = threading.Event()

        def breaks(_path: str) -> str:
            raise ZeroDivisionError

        watch = Watch(str(tmp_path), breaks, woken.set)
        watch.start()
        assert (watch.trouble(), watch.take().everything) == (None, True)
        (tmp_path / "x").touch()
        assert woken.wait(LONG_S)
        assert watch.take().everything
        assert watch.trouble() == "the watch has ended by itself"
        watch.start()
        assert watch.trouble() is None
        watch.stop()

    def test_a_folder_that_may_not_be_read(self, tmp_path: Path) -> None:
        (tmp_path / "open").mkdir()
        (tmp_path / "shut").mkdir(mode=0o000)
        told = in_a_process("started", tmp_path, before=as_ordinary_user())
        assert told == [f"{tmp_path}/shut cannot be watched: Permission denied"]

    def test_a_folder_moved_out_and_deleted_after_another_took_its_name(self, watched: Watched, tmp_path: Path) -> None:
        (watched.share / SET).mkdir()
        watched.what_else()
        (watched.share / SET).rename(tmp_path / "out")
        (watched.share / SET).mkdir()
        watched.what_else()
        (tmp_path / "out" / "x").touch()
        assert watched.what_else() == set()
        (watched.share / SET).rmdir()
        (tmp_path / "out" / "x").unlink()
        (tmp_path / "out").rmdir()
        assert watched.what_else() == {"arm-07"}
        assert watched.watch.trouble() is None

    def test_stop_leaves_no_thread_and_no_handle(self, tmp_path: Path) -> None:
        threads = set(threading.enumerate())
        handles = sorted(os.listdir("/proc/self/fd")) if sys.platform == "linux" else []
        Watched(tmp_path).watch.stop()
        assert set(threading.enumerate()) == threads
        assert sys.platform != "linux" or sorted(os.listdir("/proc/self/fd")) == handles


ALONE = """
import subprocess, sys, threading
from guard.share.watch import Watch, arms_by_path
from guard.share.layout import Layout
woken = threading.Event()
watch = Watch(sys.argv[2], arms_by_path((Layout("{arm}/{any}"),), ("arm-07",)), woken.set)
watch.start()
if sys.argv[1] == "started":
    print(watch.trouble())
else:
    assert watch.trouble() is None, watch.trouble()
    watch.take(); woken.clear()
    print("ready", flush=True)
    subprocess.run(sys.argv[3:], check=True) if sys.argv[1] == "after" else input()
    everything = watch.take().everything
    while watch.trouble() is None or not everything:
        assert woken.wait(20), "nothing was heard"
        woken.clear()
        everything |= watch.take().everything
    print(watch.trouble())
watch.stop()
print(*(thread.name for thread in threading.enumerate()))
"""
"""Watches the folder in its second argument in a process of its own, and prints the trouble there is or comes."""


def in_a_process(what: str, where: Path, *, before: tuple[str, ...] = ()) -> list[str]:
    """What the process told; it must end in good order and without a thread of the watch."""
    words = [*before, sys.executable, "-c", ALONE, what, where]
    done = subprocess.run(words, capture_output=True, text=True, timeout=60, check=False)
    if "unshare" in done.stderr:
        pytest.skip(f"no user namespace: {done.stderr.strip()}")
    *told, threads = done.stdout.splitlines()
    assert (done.returncode, threads) == (0, "MainThread"), done.stderr
    return told


IN_ITS_OWN_MOUNTS = ("unshare", "--user", "--map-root-user", "--mount", "sh", "-c")


@linux
@pytest.mark.parametrize(
    ("words", "told"),
    [
        pytest.param(("umount", "--recursive", "{}"), "no longer the share", id="the-share-unmounted"),
        pytest.param(("mount", "-t", "tmpfs", "over", "{}"), "no longer the share", id="another-mounted-over-it"),
        pytest.param(("umount", "{}/arm-07"), "a file system in the share was unmounted", id="a-part-of-it-unmounted"),
    ],
)
def test_mounts_that_come_and_go(tmp_path: Path, words: tuple[str, ...], told: str) -> None:
    """Nothing here hinders an unmounting, and each is noticed: by an event, or else at the next look at the watch."""
    script = 'mount -t tmpfs x "$1" && mkdir "$1/arm-07" && mount -t tmpfs y "$1/arm-07" && shift && exec "$@"'
    before = (*IN_ITS_OWN_MOUNTS, script, "sh", str(tmp_path))
    then = [word.format(tmp_path) for word in words]
    done = subprocess.run(
        [*before, sys.executable, "-c", ALONE, "after", tmp_path, *then], capture_output=True, text=True, check=False
    )
    if "unshare failed" in done.stderr:
        pytest.skip(f"no namespace of its own: {done.stderr.strip()}")
    ready, trouble, threads = done.stdout.splitlines() or ("", "", "")
    assert (ready, told in trouble, threads) == ("ready", True, "MainThread"), done


def with_limit(watches: int, kind: str = "watches") -> tuple[str, ...]:
    """What to put before a program so that it may have no more of these, and nobody else is touched."""
    if sys.platform != "linux" or shutil.which("unshare") is None:
        pytest.skip("there is no unshare to lower the limit for one program")
    script = f'echo {watches} > /proc/sys/user/max_inotify_{kind} || echo unshare >&2; exec "$@"'
    return ("unshare", "--user", "--map-root-user", "sh", "-c", script, "sh")


class TestLimits:
    """The system's limits are told, before they are met where that can be."""

    def test_as_many_folders_as_may_be_watched(self, tmp_path: Path) -> None:
        for number in range(9):
            (tmp_path / f"{number}").mkdir()
        assert in_a_process("started", tmp_path, before=with_limit(10)) == ["None"]

    def test_one_folder_more_than_may_be_watched(self, tmp_path: Path) -> None:
        for number in range(10):
            (tmp_path / f"{number}").mkdir()
        assert in_a_process("started", tmp_path, before=with_limit(10)) == [
            "the share has more than 10 folders, and the system lets this user watch no more (user.max_inotify_watches)"
        ]

    def test_no_further_watch_at_all(self, tmp_path: Path) -> None:
        (told,) = in_a_process("started", tmp_path, before=with_limit(0, "instances"))
        assert "fs.inotify.max_user_instances" in told

    def test_folders_that_come_beyond_the_limit(self, tmp_path: Path) -> None:
        with watching_alone(tmp_path, with_limit(10)) as process:
            for number in range(15):
                (tmp_path / f"{number}").mkdir()
            told, _ = process.communicate("go on\n", timeout=60)
        assert told.splitlines() == [
            "the system lets this user watch no further folder (fs.inotify.max_user_watches)",
            "MainThread",
        ]

    @linux
    def test_a_queue_that_overflows_while_nobody_reads_it(self, tmp_path: Path) -> None:
        queued = int(Path("/proc/sys/fs/inotify/max_queued_events").read_text())
        if queued > 100_000:
            pytest.skip(f"the queue holds {queued} events, too many to fill in a test")
        (tmp_path / "arm-07").mkdir()
        a, b = tmp_path / "arm-07" / "a", tmp_path / "arm-07" / "b"
        a.touch()
        with watching_alone(tmp_path, ()) as process:
            process.send_signal(signal.SIGSTOP)
            for _ in range(queued // 2):  # each renaming is two events, so that is twice as many as it holds
                a.rename(b)
                b.rename(a)
            process.send_signal(signal.SIGCONT)
            told, _ = process.communicate("go on\n", timeout=60)
        assert told.splitlines() == [
            "more changed at once than the system's queue of notices holds (fs.inotify.max_queued_events)",
            "MainThread",
        ]

    def test_links_and_files_are_no_folders(self, tmp_path: Path) -> None:
        (tmp_path / "a").mkdir()
        (tmp_path / "a" / "file").touch()
        (tmp_path / "a" / "link").symlink_to(tmp_path)
        assert watch_shortage(str(tmp_path)) is None


def watching_alone(where: Path, before: tuple[str, ...]) -> subprocess.Popen[str]:
    """A process that watches, once it does."""
    words = [*before, sys.executable, "-c", ALONE, "until", where]
    process = subprocess.Popen(words, stdin=subprocess.PIPE, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    assert process.stdout is not None
    assert process.stderr is not None
    if process.stdout.readline() != "ready\n":
        _, why = process.communicate()
        if "unshare" in why:
            pytest.skip(f"no user namespace: {why.strip()}")
        pytest.fail(why)
    return process


class TestArmsByPath:
    """The arm of a path by the layouts, also of a part of one, and of what is gone again."""

    @pytest.mark.parametrize(
        ("layout", "path", "expected"),
        [
            pytest.param("{arm}/{taken:%Y-%m-%d_%H%M}", "arm-07", "arm-07", id="the-arm-s-folder"),
            pytest.param("{arm}/{taken:%Y-%m-%d_%H%M}", SET, "arm-07", id="a-set"),
            pytest.param("{arm}/{taken:%Y-%m-%d_%H%M}", f"{SET}/a/b/c", "arm-07", id="deep-in-a-set"),
            pytest.param("{arm}/{taken:%Y-%m-%d_%H%M}", f"{SET}.tar.gz", "arm-07", id="an-archive"),
            pytest.param("{arm}/{taken:%Y-%m-%d_%H%M}", "arm-07/notes.txt", "arm-07", id="odd-in-an-arm-s-folder"),
            pytest.param("{arm}/{taken:%Y-%m-%d_%H%M}", "arm-08/2026-11-01_0510/x", NO_ARM, id="no-arm-of-ours"),
            pytest.param("{arm}/{taken:%Y-%m-%d_%H%M}", "arm-0", NO_ARM, id="a-name-that-only-begins-so"),
            pytest.param("{arm}", "arm-07.zip", "arm-07", id="archive-named-by-the-arm"),
            pytest.param("{arm}", "arm-07", "arm-07", id="folder-named-by-the-arm"),
            pytest.param("{arm}", "arm-07.rar", NO_ARM, id="no-archive"),
            pytest.param("{taken:%Y%m%d}/{arm}", "20261101", None, id="before-the-arm-is-told"),
            pytest.param("{taken:%Y%m%d}/{arm}", "20261101/arm-09/x", "arm-09", id="arm-last"),
            pytest.param("{taken:%Y%m%d}/{arm}", "elsewhere/arm-09/x", NO_ARM, id="another-folder"),
            pytest.param("{area}/{arm}/{any}", "finishing", None, id="an-area"),
            pytest.param("{area}/{arm}/{any}", "finishing/arm-09", "arm-09", id="an-arm-in-an-area"),
            pytest.param("{area}/{arm}/{any}", "arm-07/arm-09/x", "arm-09", id="an-area-named-like-an-arm"),
            pytest.param("{arm}/{arm}_{taken:%Y%m%d}", "arm-07/arm-09_20261101", "arm-07", id="odd-by-two-names"),
            pytest.param("{arm}-{any}", "arm-07-last", "arm-07", id="arm-and-a-free-field"),
            pytest.param("{arm}-{any}", "arm-08-last", None, id="arm-that-cannot-be-told"),
            pytest.param("{arm}/{any}", ".guard-share.json", None, id="the-marker"),
            pytest.param("{arm}/{any}", ".guard-share.json.new", NO_ARM, id="the-marker-s-temporary-name"),
            pytest.param("{arm}/{any}", ".guard-holding/arm-07/x", NO_ARM, id="a-folder-of-our-own"),
            pytest.param("{arm}/{any}", "desktop.ini", NO_ARM, id="left-by-a-file-browser"),
            pytest.param("{arm}/{any}", "", NO_ARM, id="nothing"),
        ],
    )
    def test_the_arm_of_a_path(self, layout: str, path: str, expected: str | None) -> None:
        assert arms_by_path((Layout(layout),), ARMS)(path) == expected

    @pytest.mark.parametrize(
        ("path", "expected"),
        [
            pytest.param("arm-07/2026", "arm-07", id="only-by-the-first"),
            pytest.param("20261101/arm-07", "arm-07", id="only-by-the-second"),
            pytest.param("arm-07/arm-09", None, id="by-each-another"),
            pytest.param("arm-07", None, id="by-one-not-yet-told"),
            pytest.param("elsewhere/x", NO_ARM, id="by-none"),
        ],
    )
    def test_several_layouts(self, path: str, expected: str | None) -> None:
        layouts = (Layout("{arm}/{any}"), Layout("{any}/{arm}"))
        assert arms_by_path(layouts, ARMS)(path) == expected

    def test_an_archive_s_name_that_is_an_arm_s_too(self) -> None:
        arms = ("A", "A.zip")
        assert arms_by_path((Layout("{arm}"),), arms)("A.zip") is None

    def test_without_layouts_nothing_is_anyone_s(self) -> None:
        assert arms_by_path((), ARMS)("arm-07/x") == NO_ARM

    NAMES = ("arm-07", "arm-09", "arm-07.zip", "20261101", "20261101.tar", "arm-07-x", "x-arm-09", "arm-08", "x")

    @runs(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
    @given(
        layouts=st.lists(
            st.sampled_from(
                (
                    "{arm}/{any}",
                    "{any}/{arm}",
                    "{arm}",
                    "{arm}-{any}",
                    "{area}/{arm}/{taken:%Y%m%d}",
                    "{any}-{arm}/{any}",
                )
            ),
            min_size=1,
            max_size=3,
            unique=True,
        ),
        paths=st.lists(st.lists(st.sampled_from(NAMES), min_size=1, max_size=3).map("/".join), max_size=12),
    )
    def test_what_is_found_as_an_arm_s_is_told_as_its_or_as_anyone_s(
        self, tmp_path: Path, layouts: list[str], paths: list[str]
    ) -> None:
        """Never as another arm's, and never as none's: then a change of it would not be looked at."""
        share = tmp_path / "share"
        shutil.rmtree(share, ignore_errors=True)
        share.mkdir()
        for path in paths:
            where = share / path
            if not where.exists() and not any(parent.is_file() for parent in where.parents):
                where.parent.mkdir(parents=True, exist_ok=True)
                where.touch() if path.endswith((".zip", ".tar")) else where.mkdir()
        made = tuple(map(Layout, layouts))
        arm_of = arms_by_path(made, ARMS)
        for entry in find(str(share), made, ARMS):
            arm = entry.arm
            if isinstance(entry, Found) or arm is not None:
                assert {arm_of(entry.path), arm_of(f"{entry.path}/a/b")} <= {arm, None}


class TestWhereThereIsNoInotify:
    """The way that other systems take, through watchdog's own observer."""

    def test_it_hears_changes_and_no_reading(self, tmp_path: Path) -> None:
        threads = set(threading.enumerate())
        heard: list[str] = []
        woken = threading.Event()

        def hear(path: str) -> None:
            heard.append(path)
            woken.set()

        (tmp_path / "read").write_bytes(b"x")
        observer = Observer(str(tmp_path), hear, heard.append)
        assert not observer.is_alive()
        observer.start()
        assert observer.is_alive()
        (tmp_path / "read").read_bytes()
        os.listdir(tmp_path)
        (tmp_path / "written").touch()
        assert woken.wait(LONG_S)
        observer.stop()
        observer.join()
        assert set(heard) == {str(tmp_path / "written")}
        assert set(threading.enumerate()) == threads
