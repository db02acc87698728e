"""The system's notices of changes below a folder, as watchdog gives them where there is no inotify.

Loads watchdog, so it is imported on use.
"""

from __future__ import annotations

import os
from collections.abc import Callable

from watchdog.events import (
    DirAttribEvent,
    DirCreatedEvent,
    DirDeletedEvent,
    DirMovedEvent,
    FileAttribEvent,
    FileClosedEvent,
    FileCreatedEvent,
    FileDeletedEvent,
    FileModifiedEvent,
    FileMovedEvent,
    FileSystemEvent,
    FileSystemEventHandler,
)
from watchdog.observers import Observer as SystemObserver

CHANGES: list[type[FileSystemEvent]] = [
    DirAttribEvent,
    DirCreatedEvent,
    DirDeletedEvent,
    DirMovedEvent,
    FileAttribEvent,
    FileClosedEvent,
    FileCreatedEvent,
    FileDeletedEvent,
    FileModifiedEvent,
    FileMovedEvent,
]
"""What is asked for. Opening and reading is not, since our own would drown the rest.

That a folder was modified is not either: each such event only goes along with one about what is in it.
"""


class Observer:
    """Watches a folder and all folders in it, also those to come.

    ``hear`` is told each path that changed, from a thread of its own. On Windows watchdog does
    not show that its buffer overflowed, nor that its reading thread ended: there only a pass
    over the share finds what was missed.
    """

    def __init__(self, root: str, hear: Callable[[str], None], _lost: Callable[[str], None]) -> None:
        """Raises OSError where the system gives no notices at all."""
        self._observer = SystemObserver()
        self._observer.schedule(_Handler(hear), root, recursive=True, event_filter=CHANGES)

    def start(self) -> None:
        """Begin. Raises OSError where the root cannot be watched."""
        self._observer.start()

    def stop(self) -> None:
        """Give the watches back."""
        self._observer.stop()

    def join(self) -> None:
        """Wait for the threads to end. Only after ``start``."""
        self._observer.join()

    def is_alive(self) -> bool:
        """Whether the threads that a notice passes through are running, as far as watchdog shows them."""
        emitters = self._observer.emitters
        return bool(emitters) and all(each.is_alive() for each in (self._observer, *emitters))


class _Handler(FileSystemEventHandler):
    def __init__(self, hear: Callable[[str], None]) -> None:
        self._hear = hear

    def dispatch(self, event: FileSystemEvent) -> None:
        for path in (event.src_path, event.dest_path):
            if path:
                self._hear(os.fsdecode(path))
