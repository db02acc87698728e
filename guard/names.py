"""File names as text and as bytes. A name need not be text: what is no UTF-8 is carried along unharmed."""

from __future__ import annotations


def name_bytes(path: str) -> bytes:
    """The bytes of a path as the file system has them, with / between the names."""
    return path.encode("utf-8", "surrogateescape")


def name_text(raw: bytes) -> str:
    """A path from its bytes."""
    return raw.decode("utf-8", "surrogateescape")
