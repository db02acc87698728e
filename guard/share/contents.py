"""Reads chosen files of a set to compare them: small ones whole, of large ones a digest of each block.

The set is read once through the same readers that seal it, so nothing is unpacked or written,
archives stay within their limits, and memory is bounded whatever the set holds.
"""

from __future__ import annotations

import hashlib
import os
from collections.abc import Collection, Mapping

from guard.plant import Checks, Recipe
from guard.record import Record
from guard.share.ground import Ground
from guard.share.layout import stem
from guard.share.listing import Listing, SetChanged, SetUnreadable
from guard.share.outside import appearance
from guard.share.recipe import Inspection, Inspector
from guard.share.source import Reading, Wanted, read_folder

TYPE_CHECKING = False

if TYPE_CHECKING:
    from collections.abc import Iterable

    from guard.model import Form

BLOCK_BYTES = 64 << 10
DIGEST_BYTES = 8
"""A digest of this length tells one block from another; it proves nothing, which nothing here needs."""

WHOLE_BYTES = 256 << 10
"""Files up to this size are kept whole: text and tables are, as a rule."""

ALL_BYTES = 16 << 20
"""No more than this of all files together is kept."""


class Content(Record):
    """What was read of one file: all of it where it is small, else the digests of its blocks, and one block if asked for."""

    size: int
    sha256: bytes
    whole: bytes | None
    blocks: bytes
    block: bytes


class _Room:
    def __init__(self, left: int) -> None:
        self.left = left


class _Taker(Inspector):
    """Takes what is wanted of one file while it is read."""

    def __init__(self, room: _Room, block: int | None) -> None:
        super().__init__(Checks())
        self._room, self._wanted = room, block
        self._pieces: list[bytes] | None = []
        self._size = 0
        self._hash = hashlib.blake2b(digest_size=DIGEST_BYTES)
        self._digests = bytearray()
        self._block = bytearray()

    def feed(self, chunk: memoryview | bytes) -> None:
        """Take the next bytes of the content."""
        self._keep(chunk)
        while len(chunk):
            piece = chunk[: BLOCK_BYTES - self._size % BLOCK_BYTES]
            if self._size // BLOCK_BYTES == self._wanted:
                self._block += piece
            self._hash.update(piece)
            self._size += len(piece)
            if self._size % BLOCK_BYTES == 0:
                self._end_block()
            chunk = chunk[len(piece) :]

    def _keep(self, chunk: memoryview | bytes) -> None:
        if self._pieces is None:
            return
        if self._size + len(chunk) > WHOLE_BYTES or len(chunk) > self._room.left:
            self._room.left += sum(map(len, self._pieces))
            self._pieces = None
        else:
            self._room.left -= len(chunk)
            self._pieces.append(bytes(chunk))

    def _end_block(self) -> None:
        self._digests += self._hash.digest()
        self._hash = hashlib.blake2b(digest_size=DIGEST_BYTES)

    def taken(self, size: int, sha256: bytes) -> Content:
        """What was taken, once the file was read whole."""
        if self._size % BLOCK_BYTES:
            self._end_block()
        whole = None if self._pieces is None else b"".join(self._pieces)
        return Content(size, sha256, whole, bytes(self._digests), bytes(self._block))


class _Taking(Inspection):
    """An inspection that takes content instead of judging it."""

    def __init__(self, recipe: Recipe, wanted: Mapping[str, int | None]) -> None:
        super().__init__(recipe)
        self._room, self._of = _Room(ALL_BYTES), wanted
        self.takers: dict[str, _Taker] = {}

    def inspectors(self, path: str) -> list[tuple[str, Inspector]]:
        """A taker, where the file is wanted under its path or under the one without the folder around it."""
        for name in (path, path.partition("/")[2]):
            if name in self._of:
                self.takers[path] = _Taker(self._room, self._of[name])
                return [("", self.takers[path])]
        return []

    def record(self, path: str, size: int, inspectors: Iterable[tuple[str, Inspector]]) -> None:
        """Nothing is judged."""


def contents(
    ground: Ground, path: str, form: Form, recipe: Recipe, wanted: Mapping[str, int | None]
) -> dict[str, Content]:
    """What is wanted of a set's files, by their paths; with each path the number of a block to be kept, if any.

    Files that are not there are left out. Raises SetChanged and SetUnreadable.
    """
    where = f"{ground.root}/{path}"
    taking = _Taking(recipe, wanted)
    reading = _read(ground, where, form, wanted, Wanted(taking, _nothing, _silence, (), {}))
    if reading.broken is not None:
        raise SetUnreadable(f"the archive cannot be read: {reading.broken}")
    found = {}
    for file in reading.files:
        taker = taking.takers.get(reading.taken_off + file.path)
        if taker is not None and file.path in wanted:
            found[file.path] = taker.taken(file.size, file.sha256)
    return found


def _read(ground: Ground, where: str, form: Form, names: Collection[str], wanted: Wanted) -> Reading:
    real = os.path.join(os.path.realpath(ground.root), os.path.relpath(where, ground.root))
    if os.path.realpath(where) != real:
        raise SetUnreadable("a folder on the way to it is a link, which is not followed")
    if form == "archive":
        from guard.share.archive import read_archive

        return read_archive(where, stem(os.path.basename(where)) or "", ground.zone(), ground.archives, wanted)
    listing = appearance(where, form).listing
    if listing is None:
        raise SetChanged(where)
    files = tuple(file for file in listing.files if file[0] in names)
    return read_folder(where, Listing(files, (), (), 0), wanted)


def _nothing(_path: str) -> bool:
    return False


def _silence(_count: int) -> None:
    return
