"""Linux's notices of changes below a folder, read by watchdog's inotify thread, and word of all that escapes them.

Loads watchdog, so it is imported on use. Of watchdog the layer that opens, reads and closes an
inotify instance is used; its recursive observer is not. That one passes over folders which may
not be watched, ends when a folder that was moved away is deleted after another took its name,
keeps the watches of all that is moved away, and after an overflow takes away and adds all
watches by a queue that each of them fills again, from 16,384 folders on without end.
"""

from __future__ import annotations

import errno
import os
import threading
from collections.abc import Callable

from watchdog.observers.inotify_c import (
    InotifyConstants,
    InotifyEvent,
    InotifyFD,
    Mask,
    WatchDescriptor,
    inotify_rm_watch,
)

from guard.share.opening import entries_of

CHANGES = Mask(
    InotifyConstants.IN_ATTRIB
    | InotifyConstants.IN_CLOSE_WRITE
    | InotifyConstants.IN_CREATE
    | InotifyConstants.IN_DELETE
    | InotifyConstants.IN_DELETE_SELF
    | InotifyConstants.IN_MODIFY
    | InotifyConstants.IN_MOVE
    | InotifyConstants.IN_MOVE_SELF
    | InotifyConstants.IN_DONT_FOLLOW
    | InotifyConstants.IN_EXCL_UNLINK
    | InotifyConstants.IN_ONLYDIR
)
"""What is asked for. Opening and reading is not, since our own would drown the rest."""

OVERFLOW = "more changed at once than the system's queue of notices holds (fs.inotify.max_queued_events)"
UNMOUNTED = "a file system in the share was unmounted"
NO_MORE_WATCHES = "the system lets this user watch no further folder (fs.inotify.max_user_watches)"
NO_INSTANCE = "the system lets this user have no further watch (fs.inotify.max_user_instances)"


class Inotify(InotifyFD):
    """Watches a folder and all folders in it, also those to come.

    ``hear`` is told each path that changed, from this thread. ``lost`` is told, in words,
    whenever something may have changed, or may yet change, that is not heard.
    """

    def __init__(self, root: str, hear: Callable[[str], None], lost: Callable[[str], None]) -> None:
        """Raises OSError where the system gives no notices at all."""
        try:
            super().__init__()
        except OSError as error:
            raise OSError(error.errno, NO_INSTANCE) if error.errno == errno.EMFILE else error from error
        self._root, self._hear, self._lose = root, hear, lost
        self._paths: dict[WatchDescriptor, str] = {}
        self._paths_lock = threading.Lock()

    def on_thread_start(self) -> None:
        """Watch all folders that are there. What happens meanwhile waits in the system's queue."""
        try:
            with self._paths_lock:
                self._watch(self._root)
        except OSError:
            self._is_reading = False  # or what was opened would wait for a thread that never comes to close it
            raise

    def on_thread_stop(self) -> None:
        """Give the watches back, once a walk through new folders has ended; it ends early where we stop."""
        with self._paths_lock:
            super().on_thread_stop()

    def run(self) -> None:
        """Read until stopped. An end that nobody asked for is told."""
        try:
            super().run()
        finally:
            if self.should_keep_running():
                self._lose("the watch has ended by itself")

    def handle_event(self, event: InotifyEvent) -> None:
        """Tell one event. New folders are watched before they are told, so that a look then misses nothing."""
        if event.is_queue_overflow:
            self._lose(OVERFLOW)
            return
        with self._paths_lock:
            if not self.should_keep_running():
                return
            if event.is_ignored:
                self._paths.pop(event.wd, None)
                super().handle_event(event)
                return
            folder = self._paths.get(event.wd)
            if folder is None:  # moved away since
                return
            path = f"{folder}/{os.fsdecode(event.name)}" if event.name else folder
            if event.name and event.is_directory:
                self._follow(event, path)
        if event.mask & InotifyConstants.IN_UNMOUNT:
            self._lose(UNMOUNTED)
        self._hear(path)

    def _follow(self, event: InotifyEvent, path: str) -> None:
        if event.is_moved_from:
            self._forget(path)
        elif event.is_create or event.is_moved_to:
            self._watch(path)

    def _watch(self, folder: str) -> None:
        """Watch a folder and those in it: each before it is listed, so that none can come between unseen."""
        waiting = [folder]
        while waiting and self.should_keep_running():
            where = waiting.pop()
            try:
                self._watch_one(where)
                with entries_of(where) as entries:
                    waiting.extend(f"{where}/{entry.name}" for entry in entries if entry.is_dir(follow_symlinks=False))
            except OSError as error:
                if where == self._root:
                    raise
                if error.errno not in (errno.ENOENT, errno.ENOTDIR, errno.ELOOP):  # gone again, and that is told
                    self._lose(_why_unwatched(where, error))
                if error.errno == errno.ENOSPC:
                    return

    def _watch_one(self, folder: str) -> None:
        with self._lock:
            watch = self._get_or_create_watch(os.fsencode(folder), CHANGES)
            if watch.wd == -1:  # how watchdog tells of a folder that may not be read
                del self._watch_for_wd[watch.wd]
                raise PermissionError(errno.EACCES, os.strerror(errno.EACCES))
        self._paths[watch.wd] = folder

    def _forget(self, folder: str) -> None:
        """Give back the watches of a folder that was moved; where it came to, it is watched anew."""
        inside = f"{folder}/"
        gone = [wd for wd, path in self._paths.items() if path == folder or path.startswith(inside)]
        with self._lock:
            for wd in gone:
                del self._paths[wd]
                self._remove_watch(wd)
                inotify_rm_watch(self._inotify_fd, wd)


def _why_unwatched(folder: str, error: OSError) -> str:
    return NO_MORE_WATCHES if error.errno == errno.ENOSPC else f"{folder} cannot be watched: {error.strerror}"
