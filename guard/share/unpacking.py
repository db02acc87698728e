"""Unpacks members of a zip that are packed by bzip2 or LZMA, in pieces.

zipfile unpacks at once whatever it reads of such a member, and a few hundred bytes can stand for gigabytes.
"""

from __future__ import annotations

import bz2
import copy
import lzma
import zipfile
import zlib
from typing import IO, Self

from guard.units import bytes_in_words

UNPACKED_HERE = (zipfile.ZIP_BZIP2, zipfile.ZIP_LZMA)

PACKED_PIECE_BYTES = 64 << 10
LARGEST_DICTIONARY_BYTES = 64 << 20
"""What an unpacker of LZMA may keep in memory of what it has unpacked; packers use up to this."""


def unpacked(archive: zipfile.ZipFile, info: zipfile.ZipInfo) -> Unpacked:
    """The content of such a member. Raises what zipfile raises, and zipfile.BadZipFile."""
    packed = copy.copy(info)
    packed.compress_type, packed.file_size = zipfile.ZIP_STORED, info.compress_size
    del packed.CRC  # which is that of the content
    stream = archive.open(packed)
    unpacker = bz2.BZ2Decompressor() if info.compress_type == zipfile.ZIP_BZIP2 else _lzma(stream)
    return Unpacked(stream, unpacker, info)


class Unpacked:
    """The content of one member; reading gives no more than is asked for and holds little more than that."""

    def __init__(
        self, packed: IO[bytes], unpacker: bz2.BZ2Decompressor | lzma.LZMADecompressor, info: zipfile.ZipInfo
    ) -> None:
        self._packed, self._unpacker, self._info = packed, unpacker, info
        self._left, self._crc = info.file_size, 0

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._packed.close()

    def read(self, size: int) -> bytes:
        """Up to ``size`` bytes, fewer at the end only. Raises zipfile.BadZipFile where the content is not what was packed."""
        found = b""
        while (want := min(size - len(found), self._left)) > 0:
            piece = self._piece(want)
            if not piece:
                raise zipfile.BadZipFile(f"{self._info.filename} ends too soon")
            self._left -= len(piece)
            self._crc = zlib.crc32(piece, self._crc)
            found += piece
        if not self._left and self._crc != self._info.CRC:
            raise zipfile.BadZipFile(f"{self._info.filename} does not have the checksum that its header says")
        return found

    def readinto(self, buffer: bytearray) -> int:
        """Read into a buffer; returns how much."""
        data = self.read(len(buffer))
        buffer[: len(data)] = data
        return len(data)

    def _piece(self, size: int) -> bytes:
        """The next bytes, up to ``size``; none at the end."""
        while not self._unpacker.eof:
            more = self._packed.read(PACKED_PIECE_BYTES) if self._unpacker.needs_input else b""
            if self._unpacker.needs_input and not more:
                return b""
            if piece := self._unpacker.decompress(more, size):
                return piece
        return b""


def _lzma(packed: IO[bytes]) -> lzma.LZMADecompressor:
    """The unpacker that the member's first bytes describe: APPNOTE.TXT of the zip format, section 5.8.8."""
    head = packed.read(9)
    if len(head) < 9 or int.from_bytes(head[2:4], "little") != 5:
        raise zipfile.BadZipFile("the description of how it is packed is missing")
    position, literal = divmod(head[4], 45)
    literal_position, literal_context = divmod(literal, 9)
    dictionary = int.from_bytes(head[5:9], "little")
    if dictionary > LARGEST_DICTIONARY_BYTES:
        raise zipfile.BadZipFile(f"it is packed with a dictionary of {bytes_in_words(dictionary)}")
    return lzma.LZMADecompressor(
        lzma.FORMAT_RAW,
        filters=[
            {
                "id": lzma.FILTER_LZMA1,
                "dict_size": dictionary,
                "lc": literal_context,
                "lp": literal_position,
                "pb": position,
            }
        ],
    )
