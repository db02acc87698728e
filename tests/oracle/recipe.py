"""What a set must hold by its recipe, and what it lacks: design 5."""

from __future__ import annotations

import re
from functools import cache

from tests.oracle.reading import Seen
from tests.oracle.setting import Part, Setting


def members(seen: Seen, patterns: tuple[str, ...]) -> dict[str, bytes]:
    """The files of a set that a pattern names; * and ? within a name, ** across folders."""
    return {name: file.data for name, file in seen.files.items() if any(matches(name, each) for each in patterns)}


@cache
def matches(name: str, pattern: str) -> bool:
    """Whether a path within a set fits a pattern."""
    parts = []
    for piece in re.split(r"(\*\*/?)", pattern):
        if piece.startswith("**"):
            parts.append(r"(?:.*/)?" if piece.endswith("/") else ".*")
        else:
            text = re.escape(piece).replace(r"\*", "[^/]*").replace(r"\?", "[^/]")
            parts.append(text)
    return re.fullmatch("".join(parts), name, re.DOTALL) is not None


def problems(seen: Seen, setting: Setting) -> list[str]:
    """What a set lacks of its recipe.

    Where that names an identity, a set that tells none does not add up, which design 6 never lets pass for sound.
    """
    if seen.broken:
        return [seen.broken]
    found = ["tells no controller"] if setting.identity and identity(seen) is None else []
    for name, part in setting.parts.items():
        files = members(seen, part.files)
        if len(files) < part.at_least:
            found.append(f"{name}: {len(files)} files")
        if files and not any(files.values()):
            found.append(f"{name}: nothing but empty files")  # of which design 5 says "there and sound"
        found += [f"{name}: {why}" for why in unsound(seen, part)]
    return found + _checksums(seen)


def identity(seen: Seen) -> str | None:
    """The serial number of the controller that a set says it was saved from."""
    file = seen.files.get("settings.toml")
    said = re.search(r'serial = "([^"]+)"', file.data.decode("utf-8", "replace")) if file else None
    return said[1] if said else None


def unsound(seen: Seen, part: Part) -> list[str]:
    """What does not pass the checks of a part."""
    return [f"{file} {why}" for file, data in members(seen, part.files).items() for why in _faults(data, part)]


def _faults(data: bytes, part: Part) -> list[str]:
    found = []
    if len(data) < part.min_size:
        found.append("too small")
    if part.not_blank and len(set(data)) <= 1:
        found.append("blank")
    if not data.startswith(part.starts_with):
        found.append("begins wrongly")
    if part.text:
        try:
            data.decode("utf-8")
        except UnicodeDecodeError:
            found.append("no text")
    return found


def _checksums(seen: Seen) -> list[str]:
    """A checksum list in the set, SHA256SUMS in coreutils' format."""
    if "SHA256SUMS" not in seen.files:
        return []
    found = []
    for line in seen.files["SHA256SUMS"].data.decode("utf-8", "replace").splitlines():
        digest, _, name = line.partition("  ")
        if name not in seen.files or seen.files[name].digest != digest:
            found.append(f"SHA256SUMS: {name}")
    return found
