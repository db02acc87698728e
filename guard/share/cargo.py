"""What is carried to a medium, and whether a bag on it is just that, read from the medium itself."""

from __future__ import annotations

import hashlib
from collections.abc import Callable
from datetime import tzinfo

from guard.model import FileFacts, Form
from guard.plant import ArchiveLimits, Recipe
from guard.record import Record
from guard.share import bag
from guard.share.checksums import PAYLOAD
from guard.share.fingerprint import Feed
from guard.share.listing import SetChanged, list_folder
from guard.share.medium import Medium
from guard.share.recipe import Inspection
from guard.share.source import Wanted, read_folder


class SourceDiffers(Exception):
    """The set is not what was read of it; the message says how."""


class Cargo(Record):
    """What is carried: the set at ``where`` by the files that were read of it, as a bag of that name."""

    name: str
    where: str
    form: Form
    files: tuple[FileFacts, ...]
    fingerprint: str
    info: bytes
    zone: tzinfo
    archives: ArchiveLimits


class Bag(Record):
    """A bag that is whole and was read back. ``was_there`` tells that it had been before, ``resumed`` half of it."""

    path: str
    medium: Medium
    was_there: bool
    resumed: bool


class Told(Record):
    """Who wants to know how far it is: told what is read or written, and how many bytes of it more."""

    reading: Callable[[str], None]
    read: Callable[[int], None]


def difference(folder: str, cargo: Cargo, told: Told) -> str | None:
    """How a bag differs from what is carried, read from the medium and not from memory; None where it does not.

    Takes as proof every file that was written, tag files included, with its digest, and
    nothing more among the payload. Raises SetUnreadable.
    """
    told.reading(folder)
    tags = bag.tag_files(cargo.files, cargo.info)
    wanted = {name: hashlib.sha256(content).digest() for name, content in tags.items()}
    wanted |= {PAYLOAD + file.path: file.sha256 for file in cargo.files}
    try:
        listing = list_folder(folder)
        reading = read_folder(folder, listing, only_read(told.read), from_disk=True)
    except SetChanged as error:
        return f"{str(error) or 'the bag'} vanished while it was read"
    if listing.odd:
        return f"{listing.odd[0].path} {listing.odd[0].why}"
    there = {file.path: file.sha256 for file in reading.files}
    for path, digest in wanted.items():
        if path not in there:
            return f"{path} is missing"
        if there[path] != digest:
            return f"{path} is not what was written"
    more = sorted(path for path in there if path.startswith(PAYLOAD) and path not in wanted)
    return f"{more[0]} is no file of the set" if more else None


def only_read(progress: Callable[[int], None], copy: Callable[[str], Feed] | None = None) -> Wanted:
    """Wants nothing of a read but its digests, and what is fed to a copy."""
    return Wanted(Inspection(Recipe("", ())), lambda _: False, progress, (), {}, copy)
