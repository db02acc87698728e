"""Checksum lists that come with a set: SHA256SUMS in coreutils' form, and BagIt bags (RFC 8493)."""

from __future__ import annotations

import io
import re
from collections.abc import Iterator, Mapping
from itertools import islice

from guard.model import FileFacts

SUMS_NAME = "SHA256SUMS"
PAYLOAD = "data/"
BAG_ALGORITHMS = ("sha256", "sha512", "sha1", "md5")
"""RFC 8493 section 2.4: sha256 and sha512 for version 1.0; md5 and sha1 in older bags."""

_MANIFEST = re.compile(r"(tag)?manifest-([a-z0-9]+)\.txt")
_SUMS_LINE = re.compile(rb"(\\?)([0-9a-fA-F]{64}) [ *](.+)", re.DOTALL)

MOST_FAULTS = 1000
"""A list that is wrong throughout says no more by its millionth line, and each costs memory."""

SHORTEST_DIGEST = 32
"""Hex digits of the shortest of them all, MD5."""

Digest = tuple[str, str]
"""A path and an algorithm's name."""


def is_checksum_list(path: str) -> bool:
    """Whether a file at the top of a set says what the set should hold."""
    return path in (SUMS_NAME, "bagit.txt", "fetch.txt") or _MANIFEST.fullmatch(path) is not None


def is_bag(paths: Mapping[str, object]) -> bool:
    """Whether a set is a BagIt bag: RFC 8493 makes bagit.txt its mark."""
    return "bagit.txt" in paths


def saved_as(path: str, *, in_bag: bool) -> str | None:
    """The path that a file of a set was saved under. A bag keeps it below its payload; what lies beside that is none."""
    if not in_bag:
        return path
    return path.removeprefix(PAYLOAD) if path.startswith(PAYLOAD) else None


def payload(files: Mapping[str, FileFacts]) -> Mapping[str, FileFacts]:
    """The files that were saved, by the paths they were saved under. What lies beside a bag's payload is none."""
    if not is_bag(files):
        return files
    return {name: file for path, file in files.items() if (name := saved_as(path, in_bag=True)) is not None}


def further_algorithms(paths: Mapping[str, object]) -> tuple[str, ...]:
    """The digests besides SHA-256 that a bag's manifests want."""
    if not is_bag(paths):
        return ()
    named = {match[2] for match in map(_MANIFEST.fullmatch, paths) if match}
    return tuple(sorted(named & set(BAG_ALGORITHMS) - {"sha256"}))


def sums_faults(files: Mapping[str, FileFacts], kept: Mapping[str, bytes]) -> list[str]:
    """How a set differs from its own SHA256SUMS, in words, up to MOST_FAULTS; nothing where it has none."""
    if SUMS_NAME not in files:
        return []
    if SUMS_NAME not in kept:
        return [f"{SUMS_NAME} is too large to be read"]
    return list(islice(_sums_faults(files, kept[SUMS_NAME]), MOST_FAULTS))


def _sums_faults(files: Mapping[str, FileFacts], text: bytes) -> Iterator[str]:
    if not text.strip():
        yield f"{SUMS_NAME} is empty"
    for number, whole in enumerate(io.BytesIO(text), 1):
        line = whole.removesuffix(b"\n")
        match = _SUMS_LINE.fullmatch(line.removesuffix(b"\r") if not line.startswith(b"\\") else line)
        if match is None:
            yield f"{SUMS_NAME} line {number} is no checksum line"
            continue
        path = _unescaped(match[3]) if match[1] else match[3]
        name = path.decode("utf-8", "surrogateescape").removeprefix("./")
        file = files.get(name)
        if file is None:
            yield f"{name} is missing, {SUMS_NAME} names it"
        elif file.sha256.hex() != match[2].decode().lower():
            yield f"{name} differs from {SUMS_NAME}"


def _unescaped(path: bytes) -> bytes:
    meaning = {b"\\\\": b"\\", b"\\n": b"\n", b"\\r": b"\r"}
    return re.sub(rb"\\[\\nr]", lambda match: meaning[match[0]], path)


def bag_faults(files: Mapping[str, FileFacts], kept: Mapping[str, bytes], further: Mapping[Digest, str]) -> list[str]:
    """Why a bag is not valid by RFC 8493, in words, up to MOST_FAULTS; nothing where the set is no bag or a valid one."""
    return list(islice(_Bag(files, kept, further).faults(), MOST_FAULTS)) if is_bag(files) else []


class _Bag:
    def __init__(
        self, files: Mapping[str, FileFacts], kept: Mapping[str, bytes], further: Mapping[Digest, str]
    ) -> None:
        self.files, self.kept, self.further = files, kept, further
        self.payload = {path for path in files if path.startswith(PAYLOAD)}
        self.version: tuple[int, int] = (1, 0)
        self.encoding = "utf-8"

    def faults(self) -> Iterator[str]:
        declaration = self._declaration()
        if declaration is not None:
            yield declaration
            return
        manifests = sorted(path for path in self.files if re.fullmatch(r"manifest-\w+\.txt", path))
        if not self.payload:
            yield "the bag has no payload below data/"
        if not manifests:
            yield "the bag has no payload manifest"
        listed: list[set[str]] = []
        for manifest in manifests:
            entries: dict[str, str] = {}
            yield from self._read(manifest, entries)
            yield from self._payload_faults(manifest, entries)
            listed.append(set(entries))
        if listed and self.version < (1, 0):
            yield from self._unlisted(self.payload - set().union(*listed), "any payload manifest")
        yield from self._fetch_faults(listed)
        for manifest in sorted(path for path in self.files if re.fullmatch(r"tagmanifest-\w+\.txt", path)):
            entries = {}
            yield from self._read(manifest, entries)
            for path in entries:
                if path.startswith(PAYLOAD) or _is_tag_manifest(path):
                    yield f"{manifest} lists {path}, which it may not (RFC 8493 2.2.1)"
            yield from self._differing(manifest, entries)

    def _declaration(self) -> str | None:
        text = self.kept.get("bagit.txt", b"")
        match = re.fullmatch(
            rb"BagIt-Version: (\d+)\.(\d+)(?:\r\n|\r|\n)Tag-File-Character-Encoding: ([\w.:-]+)(?:\r\n|\r|\n)?",
            text,
        )
        if match is None:
            return "bagit.txt is not as RFC 8493 2.1.1 wants it"
        self.version = (int(match[1]), int(match[2]))
        if self.version > (1, 0):
            return f"the bag is of version {self.version[0]}.{self.version[1]}, newer than RFC 8493"
        self.encoding = match[3].decode("ascii")
        try:
            "".encode(self.encoding)
        except (LookupError, UnicodeError):
            return f"bagit.txt names the unknown encoding {self.encoding}"
        return None

    def _read(self, manifest: str, entries: dict[str, str]) -> Iterator[str]:
        """Fill the entries of a manifest, path to digest, and tell every line that is none."""
        if manifest not in self.kept:
            yield f"{manifest} is too large to be read"
            return
        try:
            text = self.kept[manifest].decode(self.encoding)
        except UnicodeError:
            yield f"{manifest} is no {self.encoding} text"
            return
        for number, line in _lines(text):
            match = re.fullmatch(rf"([0-9a-fA-F]{{{SHORTEST_DIGEST},}})[ \t]+(.+)", line)
            if match is None:
                yield f"{manifest} line {number} is no manifest line"
                continue
            path = self._decoded(match[2])
            if self.version < (1, 0):
                path = path.removeprefix("*").removeprefix("./")
            digest = match[1].lower()
            if _leaves_the_bag(path):
                yield f"{manifest} line {number} names a path outside the bag"
            elif path in entries and (self.version >= (1, 0) or entries[path] != digest):
                yield f"{manifest} names {path} twice"
            else:
                entries[path] = digest

    def _decoded(self, path: str) -> str:
        """A path without percent-encoding; before version 1.0 the percent sign itself was not encoded."""
        codes = "%(0[AaDd]|25)" if self.version >= (1, 0) else "%(0[AaDd])"
        return re.sub(codes, lambda code: chr(int(code[1], 16)), path)

    def _payload_faults(self, manifest: str, entries: dict[str, str]) -> Iterator[str]:
        for path in entries:
            if not path.startswith(PAYLOAD):
                yield f"{manifest} lists {path}, which is not below data/"
        if self.version >= (1, 0):
            yield from self._unlisted(self.payload - set(entries), manifest)
        yield from self._differing(manifest, entries)

    def _unlisted(self, paths: set[str], where: str) -> Iterator[str]:
        for path in sorted(paths):
            yield f"{path} is not listed in {where}"

    def _differing(self, manifest: str, entries: dict[str, str]) -> Iterator[str]:
        match = _MANIFEST.fullmatch(manifest)
        algorithm = match[2] if match else ""
        if algorithm not in BAG_ALGORITHMS:
            yield f"{manifest} is of a kind this tool cannot check; keep a sha256 manifest too"
            return
        for path, digest in entries.items():
            file = self.files.get(path)
            if file is None:
                yield f"{path} is missing, {manifest} names it"
            elif self._digest(file, algorithm) != digest:
                yield f"{path} differs from {manifest}"

    def _digest(self, file: FileFacts, algorithm: str) -> str | None:
        return file.sha256.hex() if algorithm == "sha256" else self.further.get((file.path, algorithm))

    def _fetch_faults(self, listed: list[set[str]]) -> Iterator[str]:
        if "fetch.txt" not in self.files:
            return
        if "fetch.txt" not in self.kept:
            yield "fetch.txt is too large to be read"
            return
        text = self.kept["fetch.txt"].decode(self.encoding, "replace")
        everywhere = set.intersection(*listed) if listed else None
        for number, line in _lines(text):
            match = re.fullmatch(r"\S+[ \t]+(?:\d+|-)[ \t]+(.+)", line)
            if match is None:
                yield f"fetch.txt line {number} is no URL with a length and a path (RFC 8493 2.2.3)"
            elif everywhere is not None and self._decoded(match[1]) not in everywhere:
                yield f"fetch.txt names {match[1]}, which a payload manifest lacks (RFC 8493 2.2.3)"


def _lines(text: str) -> Iterator[tuple[int, str]]:
    """The lines that are not blank with their numbers, one by one: all at once would take many times the text's memory."""
    number = 1
    for piece in re.finditer(r"\r\n|\r|\n|[^\r\n]+", text):
        if piece[0][0] in "\r\n":
            number += 1
        elif piece[0].strip():
            yield number, piece[0]


def _is_tag_manifest(path: str) -> bool:
    return re.fullmatch(r"tagmanifest-\w+\.txt", path) is not None


def _leaves_the_bag(path: str) -> bool:
    return path.startswith(("/", "~")) or ".." in path.split("/") or re.match("[A-Za-z]:", path) is not None
