"""Hangs the hold sheets: in the state folder, and in the arm's folder on the share where that is wanted.

The sheet in the state folder names the one on the share. It is written first and taken down
last, so whatever hangs on the share is known, also after a crash. What cannot be written or
removed is logged and tried again the next time.
"""

from __future__ import annotations

import logging
import os
import stat
import threading
from collections.abc import Callable, Iterable, Sequence
from datetime import tzinfo
from itertools import takewhile
from urllib.parse import unquote

from guard.files import UNFINISHED, write_whole
from guard.names import name_bytes
from guard.record import Record
from guard.share.find import sheet_name
from guard.share.layout import Layout
from guard.tell.sheet import HEAD, Sheet, drawn, state_of

FOLDER = "sheets"
LIFTED = ".lifted"
"""What a sheet's name ends in while the one on the share is still to be removed."""

HEAD_BYTES = 4096
"""The lines by which a sheet is known stand within so much of its start."""

log = logging.getLogger("guard.warn")

_hanging = threading.Lock()
"""Two threads of the monitor hang sheets; a sheet has one temporary name."""


class Head(Record):
    """What a sheet that hangs says of itself."""

    state: str
    also_at: str


def hang(state: str, share: str, sheets: Iterable[Sheet], zone: tzinfo, *, share_is_right: Callable[[], bool]) -> None:
    """Let exactly these sheets hang; whatever is right already stays as it is."""
    wanted = {f"{sheet.arm.id}.html": sheet for sheet in sheets}
    folder = os.path.join(state, FOLDER)
    with _hanging:
        try:
            os.makedirs(folder, exist_ok=True)
            there = sorted(os.listdir(folder))
        except OSError as error:
            _tell("sheets-unwritten", folder, error)
            return
        for name in there:
            if name.endswith(".html") and name not in wanted:
                _take_down(folder, name, share, None, share_is_right)
            elif name.endswith(f".html{LIFTED}"):
                standing = wanted.get(name.removesuffix(LIFTED))
                _remove_from_share(os.path.join(folder, name), share, standing, share_is_right)
        for name, sheet in wanted.items():
            _put(folder, name, share, sheet, zone, share_is_right)


def hang_here(state: str, sheets: Iterable[Sheet], zone: tzinfo) -> None:
    """Write these sheets in the state folder at once, without a look at the share, which may not answer."""
    with _hanging:
        for sheet in sheets:
            path = os.path.join(state, FOLDER, f"{sheet.arm.id}.html")
            there = _head(path)
            also_at = there.also_at if there else ""
            try:
                os.makedirs(os.path.dirname(path), exist_ok=True)
                write_whole(path, name_bytes(drawn(sheet._replace(also_at=also_at), zone)))
            except OSError as error:
                _tell("sheet-unwritten", path, error)


def arm_folder(layouts: Sequence[Layout], arm: str, paths: Iterable[str]) -> str:
    """The folder, below the share, that by the layouts is the arm's own; empty for the share itself.

    The names above a set that no stamp and no free text stand in, as far as all its sets agree.
    """
    known = [path.split("/") for path in paths]
    heads = [
        names[: _heading(layout)] for layout in layouts for names in known if len(names) == len(layout.segments)
    ] or [_heading_without_sets(layout, arm) for layout in layouts]
    agreed = [names[0] for names in takewhile(lambda names: len(set(names)) == 1, zip(*heads, strict=False))]
    return "/".join(agreed)


def _heading(layout: Layout) -> int:
    """How many names above a set say which arm it is of, and nothing else."""
    inner = layout.segments[:-1]
    free = [n for n, segment in enumerate(inner) if "{taken" in segment.text or "{any}" in segment.text]
    return min(free, default=len(inner))


def _heading_without_sets(layout: Layout, arm: str) -> list[str]:
    names = []
    for segment in layout.segments[:-1]:
        if "{" in segment.text.replace("{arm}", ""):
            break
        names.append(segment.name_for(arm))
    return names


def place_on_share(layouts: Sequence[Layout], arm: str, paths: Iterable[str]) -> str:
    """The path, below the share, of the arm's sheet there."""
    folder = arm_folder(layouts, arm, paths)
    return f"{folder}/{sheet_name(arm)}" if folder else sheet_name(arm)


def _put(folder: str, name: str, share: str, sheet: Sheet, zone: tzinfo, share_is_right: Callable[[], bool]) -> None:
    path, state = os.path.join(folder, name), state_of(sheet)
    there = _head(path)
    if there is None or there.state != state:
        if there is not None and there.also_at not in ("", sheet.also_at):
            _take_down(folder, name, share, sheet, share_is_right)
        try:
            write_whole(path, name_bytes(drawn(sheet, zone)))
        except OSError as error:
            _tell("sheet-unwritten", path, error)
    if sheet.also_at and share_is_right():
        _put_on_share(os.path.join(share, *sheet.also_at.split("/")), state, sheet, zone)


def _put_on_share(path: str, state: str, sheet: Sheet, zone: tzinfo) -> None:
    there = _head(path)
    if there is not None and there.state == state:
        return
    try:
        if there is None and os.path.lexists(path):
            _tell("sheet-not-on-share", path, "what stands there is no sheet of ours")
            return
        _remove_other_than_file(path + UNFINISHED)
        write_whole(path, name_bytes(drawn(sheet, zone)))
    except OSError as error:
        _tell("sheet-not-on-share", path, error)


def _remove_other_than_file(path: str) -> None:
    """Remove a link or device in the place of our temporary file, so that nothing is written to where it leads."""
    if os.path.lexists(path) and not stat.S_ISREG(os.lstat(path).st_mode):
        os.unlink(path)


def _take_down(folder: str, name: str, share: str, standing: Sheet | None, share_is_right: Callable[[], bool]) -> None:
    path = os.path.join(folder, name)
    try:
        os.replace(path, path + LIFTED)
    except OSError as error:
        _tell("sheet-not-removed", path, error)
        return
    _remove_from_share(path + LIFTED, share, standing, share_is_right)


def _remove_from_share(lifted: str, share: str, standing: Sheet | None, share_is_right: Callable[[], bool]) -> None:
    """Remove the sheet on the share that a lifted one names, then the lifted one. Another share's is left for later."""
    head = _head(lifted)
    try:
        if head is not None and head.also_at and (standing is None or standing.also_at != head.also_at):
            if not share_is_right():
                return
            path = os.path.join(share, *head.also_at.split("/"))
            if _head(path) is not None:
                os.unlink(path)
        os.unlink(lifted)
    except OSError as error:
        _tell("sheet-not-removed", lifted, error)


def _head(path: str) -> Head | None:
    """What the sheet at this place says of itself; None where there is none, or something else."""
    try:
        if not stat.S_ISREG(os.lstat(path).st_mode):
            return None
        with open(path, "rb") as file:
            start = file.read(HEAD_BYTES).decode("utf-8", "surrogateescape")
    except OSError:
        return None
    found = HEAD.search(start)
    return None if found is None else Head(found[1], unquote(found[2], errors="surrogateescape"))


def _tell(name: str, path: str, why: object) -> None:
    log.warning(name, extra={"facts": {"path": path, "why": str(why)}})
