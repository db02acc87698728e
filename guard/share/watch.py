"""The watch: hears from the system that something changed below the share, and keeps for whom.

What it hears is a reason to look, never a fact, and what it does not hear may have happened
all the same. So it says when it cannot hear everything, and nothing here touches the catalogue.
"""

from __future__ import annotations

import os
import sys
import threading
from collections.abc import Callable, Collection
from functools import lru_cache

from guard.record import Record
from guard.share.find import OUR_PREFIX, is_left_by_a_file_browser
from guard.share.layout import NOTHING_YET, UNTOLD_ARM, Layout, stem
from guard.share.marker import MARKER_NAME
from guard.share.opening import entries_of

TYPE_CHECKING = False

if TYPE_CHECKING:
    from guard.share.inotify import Inotify
    from guard.share.observer import Observer

NO_ARM = ""
"""Stands for the arm of a path that belongs to none, so that a change there is no reason to look."""

LIMITS = ("fs.inotify.max_user_watches", "user.max_inotify_watches")
"""How many folders a user may watch, on the computer and in a user namespace (inotify(7), namespaces(7))."""

PATHS_KEPT = 1024


class Dirty(Record):
    """What changed since it was last asked: the arms, and whether it may be anything at all."""

    arms: frozenset[str]
    everything: bool


class Watch:
    """Hears of changes below a folder on this computer.

    ``arm_of`` tells the arm of a path relative to the share, NO_ARM where it is none's, None
    where that cannot be told. ``wake`` is called from another thread when there is something new
    to take; it must return at once and not call the watch.
    """

    def __init__(
        self,
        root: str,
        arm_of: Callable[[str], str | None],
        wake: Callable[[], None],
    ) -> None:
        self.root = root
        self._arm_of, self._wake = arm_of, wake
        self._lock = threading.Lock()
        self._arms: set[str] = set()
        self._everything = False
        self._observer: Inotify | Observer | None = None
        self._prefix = ""
        self._place: tuple[int, int] | None = None
        self._refusal: str | None = "it was not started"
        self._lost: str | None = None
        self._told: str | None = None

    def start(self) -> None:
        """Watch from now on, anew where it did before. Whether that worked, ``trouble`` tells.

        Since nothing was heard of what happened before, the first ``take`` gives everything.
        Where there are more folders than may be watched it does not begin: half a watch would
        take the watches that other programs need.
        """
        self.stop()
        self._lost = self._told = None
        self._everything = True
        self._refusal = self._refused()

    def _refused(self) -> str | None:
        where = os.path.realpath(self.root)  # the system watches a link and not what it leads to
        self._prefix = where.rstrip(os.sep) + os.sep
        self._place = _identity(where)
        try:
            shortage = watch_shortage(where)
            if shortage is None:
                self._observer = self._started(where)
        except OSError as error:
            return f"the share cannot be watched: {error.strerror or error}"
        return shortage

    def _started(self, where: str) -> Inotify | Observer:
        if sys.platform == "linux":
            from guard.share.inotify import Inotify as Notices
        else:
            from guard.share.observer import Observer as Notices
        notices = Notices(where, self._hear, self._lose)
        try:
            notices.start()
        except OSError:
            notices.stop()
            raise
        return notices

    def stop(self) -> None:
        """Hear no more. Returns once no thread of the watch is left."""
        self._end()
        self._refusal = "it was stopped"

    def _end(self) -> None:
        if self._observer is not None:
            self._observer.stop()
            self._observer.join()
        self._observer = None

    def take(self) -> Dirty:
        """What changed since the last call. A new trouble is a reason to look at everything, once."""
        self.trouble()
        with self._lock:
            dirty = Dirty(frozenset(self._arms), self._everything)
            self._arms.clear()
            self._everything = False
        return dirty

    def trouble(self) -> str | None:
        """Why not everything is heard, in words; None where nothing speaks against it.

        What is told here stands until the watch is started anew. That includes an overflow: of
        the events that were lost some may have been new folders, which then have no watch.
        """
        now = self._trouble()
        with self._lock:
            if now is not None and now != self._told:
                self._everything = True
            self._told = now
        return now

    def _trouble(self) -> str | None:
        if self._observer is None:
            return self._refusal
        if _identity(self.root) != self._place:
            return "the folder that is watched is no longer the share: it was removed, replaced or mounted over"
        if not self._observer.is_alive():
            return "the watch has ended by itself"
        return self._lost

    def _hear(self, path: str) -> None:
        """Called for every event, so for each of 10,000 files in a row: it must cost little and keep nothing."""
        arm = self._arm_of(path[len(self._prefix) :].replace(os.sep, "/")) if path.startswith(self._prefix) else None
        if arm == NO_ARM:
            return
        with self._lock:
            is_news = not self._everything if arm is None else arm not in self._arms
            if arm is None:
                self._everything = True
            else:
                self._arms.add(arm)
        if is_news:
            self._wake()

    def _lose(self, why: str) -> None:
        with self._lock:
            self._lost = self._lost or why
            self._everything = True
        self._wake()


def _identity(where: str) -> tuple[int, int] | None:
    try:
        about = os.stat(where)
    except OSError:
        return None
    return about.st_dev, about.st_ino


def watch_shortage(root: str) -> str | None:
    """In words, that there are more folders than may be watched; None where there are not, or no limit is known.

    Raises OSError where the root cannot be listed.
    """
    limits = [(count, name) for name in LIMITS if (count := _limit(name)) is not None]
    if not limits:
        return None
    most, name = min(limits)
    if not _has_more_folders(root, most):
        return None
    return f"the share has more than {most:,} folders, and the system lets this user watch no more ({name})"


def _limit(name: str) -> int | None:
    try:
        with open(f"/proc/sys/{name.replace('.', '/')}", encoding="ascii") as file:
            return int(file.read())
    except (OSError, ValueError):
        return None


def _has_more_folders(root: str, most: int) -> bool:
    """Whether a folder and all folders in it are more than that many. Raises OSError where it cannot be listed."""
    waiting, count = [root], 0
    while waiting:
        folder = waiting.pop()
        count += 1
        if count + len(waiting) > most:
            return True
        try:
            with entries_of(folder) as entries:
                waiting.extend(f"{folder}/{entry.name}" for entry in entries if entry.is_dir(follow_symlinks=False))
        except OSError:
            if folder == root:
                raise
    return False


def arms_by_path(layouts: tuple[Layout, ...], arms: Collection[str]) -> Callable[[str], str | None]:
    """What tells the arm of a path relative to the share, whether or not anything is there.

    NO_ARM where by every layout it can be no part of any arm's sets, None where it may be
    several's or is not told: then each could be concerned.
    """
    most = max((len(layout.segments) for layout in layouts), default=1)

    @lru_cache(maxsize=PATHS_KEPT)
    def arm_of(names: tuple[str, ...]) -> str | None:
        if names[0] == MARKER_NAME:
            return None
        if names[0].startswith(OUR_PREFIX) or is_left_by_a_file_browser(names[0]):
            return NO_ARM
        told = {arm for layout in layouts for arm in _arms_by(layout, names, arms)}
        if None in told or len(told - {NO_ARM}) > 1:
            return None
        return max(told, default=NO_ARM, key=bool)

    return lambda path: arm_of(tuple(path.split("/", most)[:most]))


def _arms_by(layout: Layout, names: tuple[str, ...], arms: Collection[str]) -> set[str | None]:
    known, last = NOTHING_YET, len(layout.segments) - 1
    for depth, (segment, name) in enumerate(zip(layout.segments, names, strict=False)):
        # An event may be of something gone, so the last name counts as a folder's and as an archive's.
        texts = [name] if depth < last else [name, stem(name)]
        matches = [match for text in texts if text and (match := segment.match(text, known, arms)) is not None]
        if not matches:
            return {NO_ARM if known.arm is None else known.arm}
        if depth == last:
            return {_told(match.arm, arms) for match in matches}
        known = matches[0]
        if known.arm is not None and known.arm not in arms:
            return {_told(known.arm, arms)}
    return {known.arm}


def _told(arm: str | None, arms: Collection[str]) -> str | None:
    if arm is None or arm == UNTOLD_ARM:
        return None
    return arm if arm in arms else NO_ARM
