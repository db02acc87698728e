"""Writes the texts of a BagIt bag (RFC 8493, version 1.0) with SHA-256 manifests; `checksums.py` reads them."""

from __future__ import annotations

import hashlib
from collections.abc import Iterable, Mapping

from guard.model import FileFacts
from guard.names import visible
from guard.share.checksums import PAYLOAD
from guard.share.fingerprint import in_path_order

DECLARATION_NAME, INFO_NAME = "bagit.txt", "bag-info.txt"
MANIFEST_NAME, TAG_MANIFEST_NAME = "manifest-sha256.txt", "tagmanifest-sha256.txt"

DECLARATION = b"BagIt-Version: 1.0\nTag-File-Character-Encoding: UTF-8\n"
"""Section 2.1.1: just these two lines. A folder without them is no bag, so they are written last."""

FINGERPRINT = "Fingerprint"
"""The element of bag-info.txt by which a bag of ours, or the beginning of one, is known again."""


def manifest(files: Iterable[FileFacts]) -> bytes:
    """The payload manifest of the files of a set (section 2.1.3), in the order of the fingerprint."""
    return _lines((PAYLOAD + file.path, file.sha256.hex()) for file in in_path_order(files))


def tag_manifest(tags: Mapping[str, bytes]) -> bytes:
    """The tag manifest of the other tag files (section 2.2.1)."""
    return _lines((path, hashlib.sha256(tags[path]).hexdigest()) for path in sorted(tags))


def tag_files(files: Iterable[FileFacts], info: bytes) -> dict[str, bytes]:
    """Every tag file of the bag by its name, in the order in which they are to be written: the declaration last."""
    tags = {INFO_NAME: info, MANIFEST_NAME: manifest(files)}
    whole = tag_manifest({**tags, DECLARATION_NAME: DECLARATION})
    return {**tags, TAG_MANIFEST_NAME: whole, DECLARATION_NAME: DECLARATION}


def info(elements: Iterable[tuple[str, str]], files: Iterable[FileFacts]) -> bytes:
    """The text of bag-info.txt (section 2.2.2), one line an element, and the sum of the payload with them."""
    sizes = [file.size for file in files]
    told = [*elements, ("Payload-Oxum", f"{sum(sizes)}.{len(sizes)}")]
    # A line break in a value would begin another element.
    return "".join(f"{label}: {visible(value)}\n" for label, value in told if value).encode()


def names_fingerprint(text: bytes, fingerprint: str) -> bool:
    """Whether a bag-info.txt is one of ours about a set with this fingerprint."""
    return f"{FINGERPRINT}: {fingerprint}".encode() in text.split(b"\n")


def _lines(entries: Iterable[tuple[str, str]]) -> bytes:
    return "".join(f"{digest}  {_encoded(path)}\n" for path, digest in entries).encode()


def _encoded(path: str) -> str:
    """Section 2.1.3: line feed, carriage return and the percent sign are percent-encoded, and only they."""
    return path.replace("%", "%25").replace("\n", "%0A").replace("\r", "%0D")
