"""The holding folder on a share: what retention releases is moved there by a rename, and back.

A rename within one file system moves a set whole or not at all, so a crash leaves it in one of
two places. Nothing here follows a link or overwrites anything.
"""

from __future__ import annotations

import json
import os
import shutil
import stat
from collections.abc import Iterable

from guard.files import force_names, write_whole
from guard.share.find import OUR_PREFIX
from guard.share.refusals import HoldingRefused

HOLDING_NAME = f"{OUR_PREFIX}-holding"
"""In the share's own folder. Beneath it each set keeps its path."""

MANIFEST_NAME = f"{OUR_PREFIX}-manifest.json"
"""In the holding folder: what was moved there, from where and why. No set's path begins so."""

LEAVING_PREFIX = f"{OUR_PREFIX}-leaving-"
"""What is about to be deleted is first renamed to this and its id, so that no half of it passes for a set."""

ABOUT = (
    "Sets that retention released. `guard keep undo` moves them back; `guard keep purge` deletes what is old enough."
    " Nobody else need touch this folder."
)


def holding_folder(root: str) -> str:
    """Where the holding folder of a place stands."""
    return os.path.join(root, HOLDING_NAME)


def noted(root: str) -> list[dict[str, object]]:
    """What the manifest names; nothing where there is none. Raises HoldingRefused where it cannot be read."""
    path = _reached(root, f"{HOLDING_NAME}/{MANIFEST_NAME}")
    try:
        with open(path, "rb") as file:
            sets = json.loads(file.read())["sets"]
    except FileNotFoundError:
        return []
    except (OSError, ValueError, KeyError, TypeError, RecursionError) as error:
        why = getattr(error, "strerror", None) or "it is no manifest of ours"
        raise HoldingRefused(path, f"it cannot be read ({why})") from error
    if not isinstance(sets, list) or not all(isinstance(each, dict) for each in sets):
        raise HoldingRefused(path, "it is no manifest of ours")
    return sets


def note(root: str, sets: Iterable[dict[str, object]]) -> None:
    """Write the manifest anew. Raises HoldingRefused."""
    path = _reached(root, f"{HOLDING_NAME}/{MANIFEST_NAME}")
    text = json.dumps({"schema": 1, "about": ABOUT, "sets": list(sets)}, indent=1)
    try:
        _make(root, HOLDING_NAME)
        write_whole(path, text.encode())
    except OSError as error:
        raise HoldingRefused(path, f"it cannot be written ({error.strerror})") from error


def free_name(root: str, path: str, taken: set[str]) -> str:
    """Where a set goes below the holding folder: its own path, or the next one that is free."""
    number, name = 1, path
    while name in taken or is_held(root, name):
        number += 1
        name = f"{path}~{number}"
    return name


def is_held(root: str, held_as: str) -> bool:
    """Whether something stands there in the holding folder. Raises HoldingRefused where a link leads elsewhere."""
    return _is_there(_reached(root, f"{HOLDING_NAME}/{held_as}"))


def stands(root: str, path: str) -> bool:
    """Whether something stands at a path of the place."""
    return _is_there(_reached(root, path))


def hold(root: str, path: str, held_as: str) -> None:
    """Move a set into the holding folder. Raises HoldingRefused; the set is then where it was."""
    _move(root, path, f"{HOLDING_NAME}/{held_as}")


def give_back(root: str, path: str, held_as: str) -> None:
    """Move a set back to where it was. Raises HoldingRefused; the set is then still held."""
    _move(root, f"{HOLDING_NAME}/{held_as}", path)


def take_away(root: str, held_as: str, number: str) -> None:
    """Take a set out of the holding folder for good; what is left to do then is to delete it."""
    _move(root, f"{HOLDING_NAME}/{held_as}", f"{HOLDING_NAME}/{LEAVING_PREFIX}{number}")


def leaving(root: str) -> list[str]:
    """The ids of the sets that were taken out and are not deleted yet."""
    try:
        names = os.listdir(holding_folder(root))
    except FileNotFoundError:
        return []
    except OSError as error:
        raise HoldingRefused(holding_folder(root), f"it cannot be listed ({error.strerror})") from error
    return sorted(name.removeprefix(LEAVING_PREFIX) for name in names if name.startswith(LEAVING_PREFIX))


def delete(root: str, number: str) -> None:
    """Delete a set that was taken away. Raises HoldingRefused where something of it stays."""
    where = _reached(root, f"{HOLDING_NAME}/{LEAVING_PREFIX}{number}")
    try:
        if stat.S_ISDIR(os.lstat(where).st_mode):
            shutil.rmtree(where)
        else:
            os.unlink(where)
    except OSError as error:
        raise HoldingRefused(where, f"not all of it can be deleted ({error.strerror})") from error


def _move(root: str, source: str, target: str) -> None:
    old, new = _reached(root, source), _reached(root, target)
    try:
        if _is_there(new):
            raise HoldingRefused(new, "something stands there already, and nothing is overwritten")
        folder = _make(root, os.path.dirname(target))
        if os.lstat(old).st_dev != os.stat(folder).st_dev:
            raise HoldingRefused(old, f"it lies in another file system than {folder}, so it cannot be moved whole")
        os.rename(old, new)
        force_names(os.path.dirname(old))
        force_names(folder)
    except OSError as error:
        raise HoldingRefused(old, f"it cannot be moved to {new} ({error.strerror})") from error


def _reached(root: str, path: str) -> str:
    """The path below the root, once every folder on the way is known to be one and no link.

    Raises HoldingRefused, also where the path would leave the root.
    """
    names = path.split("/")
    if any(name in ("", ".", "..") or "\0" in name or ("\\" in name and os.name == "nt") for name in names):
        raise HoldingRefused(os.path.join(root, path), "this is no path below the share")
    where = root
    for name in names[:-1]:
        where = os.path.join(where, name)
        try:
            mode = os.lstat(where).st_mode
        except FileNotFoundError:
            break
        except OSError as error:
            raise HoldingRefused(where, f"it cannot be looked at ({error.strerror})") from error
        if not stat.S_ISDIR(mode):
            raise HoldingRefused(where, "it is no folder, and links are not followed")
    return os.path.join(root, *names)


def _is_there(where: str) -> bool:
    """Takes as proof of absence only that the system says so: what cannot be looked at is no absence."""
    try:
        os.lstat(where)
    except (FileNotFoundError, NotADirectoryError):
        return False
    except OSError as error:
        raise HoldingRefused(where, f"it cannot be looked at ({error.strerror})") from error
    return True


def _make(root: str, path: str) -> str:
    """Make the folders of a path below the root, each of them on the disk before the next."""
    where = root
    for name in path.split("/") if path else ():
        parent, where = where, os.path.join(where, name)
        if not os.path.isdir(where):
            os.mkdir(where)
            force_names(parent)
    return where
