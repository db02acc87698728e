"""A recipe at work: which part a file belongs to, and whether its content is sound."""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterable
from functools import lru_cache

from guard.plant import Checks, PartRule, Recipe
from guard.share.checksums import PAYLOAD
from guard.units import bytes_in_words


@lru_cache(maxsize=256)
def pattern(globs: tuple[str, ...]) -> re.Pattern[str]:
    """A regular expression for file patterns: ``*`` and ``?`` within a name, ``**`` across names."""
    return re.compile("|".join(map(_translated, globs)) or r"(?!)", re.DOTALL)


def _translated(glob: str) -> str:
    """A pattern as a regular expression that takes no longer for a name than its length asks for.

    Between two ``**/``, as between two ``*`` of one name, the first place that fits is as good as any later one, since
    the second of them can take up what the first one left; so it is never tried anew.
    """
    names = glob.split("/")
    if any("**" in name and name != "**" for name in names):
        return _with_stars_in_names(glob)
    blocks = [""]
    for name in names[:-1]:
        if name == "**":
            blocks.append("")
        else:
            blocks[-1] += f"{_one_name(name)}/"
    blocks[-1] += ".*" if names[-1] == "**" else _one_name(names[-1])
    first, *middle = blocks
    last = [f"(?:.*/)?{middle.pop()}"] if middle else []
    return "".join([first, *(f"(?>(?:.*?/)??{block})" for block in middle), *last])


def _one_name(name: str) -> str:
    first, *rest = ("[^/]".join(map(re.escape, piece.split("?"))) for piece in name.split("*"))
    last = [f"[^/]*{rest.pop()}"] if rest else []
    return "".join([first, *(f"(?>[^/]*?{piece})" for piece in rest), *last])


def _with_stars_in_names(glob: str) -> str:
    pieces = re.split(r"(\*\*/|/\*\*$|\*\*|\*|\?)", glob)
    meaning = {"**/": "(?:.*/)?", "/**": "/.*", "**": ".*", "*": "[^/]*", "?": "[^/]"}
    return "".join(meaning.get(piece) or re.escape(piece) for piece in pieces)


def matches(globs: tuple[str, ...], path: str) -> bool:
    """Whether a path within a set fits one of the patterns."""
    return pattern(globs).fullmatch(path) is not None


class Inspector:
    """Judges one file's content by a part's checks while it is being read."""

    def __init__(self, checks: Checks) -> None:
        self._checks = checks
        self._start = b""
        self._first: bytes | None = None
        self._blank = True
        self._decoder = codecs.getincrementaldecoder(checks.text)() if checks.text else None
        self._readable = True

    def feed(self, chunk: memoryview | bytes) -> None:
        """Take the next bytes of the content."""
        wanted = len(self._checks.starts_with or b"")
        if len(self._start) < wanted:
            self._start += bytes(chunk[: wanted - len(self._start)])
        if self._checks.not_blank and self._blank and len(chunk):
            self._first = self._first or bytes(chunk[:1])
            self._blank = bytes(chunk).count(self._first) == len(chunk)
        if self._decoder is not None and self._readable:
            try:
                # A zero is a character to a decoder, and to no editor: it is what a disk holds that was never written.
                self._readable = "\0" not in self._decoder.decode(bytes(chunk))
            except UnicodeError:
                self._readable = False

    def faults(self, size: int) -> list[str]:
        """What is wrong with the content, in words, once all of it was fed."""
        checks = self._checks
        found = []
        if checks.min_bytes is not None and size < checks.min_bytes:
            found.append("has {}, at least {} expected".format(*_told_apart(size, checks.min_bytes)))
        if checks.max_bytes is not None and size > checks.max_bytes:
            found.append("has {}, at most {} expected".format(*_told_apart(size, checks.max_bytes)))
        if checks.not_blank and self._blank:
            found.append("is blank: every byte is the same" if size else "is empty")
        if checks.starts_with is not None and self._start != checks.starts_with:
            found.append(f"begins with {self._start.hex(' ') or 'nothing'}, {checks.starts_with.hex(' ')} expected")
        if self._decoder is not None and not self._is_text():
            found.append(f"is no readable {checks.text} text")
        return found

    def _is_text(self) -> bool:
        if self._decoder is not None and self._readable:
            try:
                self._decoder.decode(b"", final=True)
            except UnicodeError:
                self._readable = False
        return self._readable


def _told_apart(size: int, limit: int) -> tuple[str, str]:
    """Two sizes in words, to the byte where words would make them the same."""
    words = bytes_in_words(size), bytes_in_words(limit)
    return words if words[0] != words[1] else (f"{size} B", f"{limit} B")


def views(path: str) -> tuple[str, ...]:
    """The paths that a recipe may know a file by.

    A bag keeps its payload below ``data/``, and an archive may wrap all it holds in one
    folder. Neither is known for certain before the last member, so a file is judged under
    every path it may turn out to have, and who asks afterwards knows which one counts.
    """
    unwrapped = path.partition("/")[2]
    found = [path]
    found += [view.removeprefix(PAYLOAD) for view in (path, unwrapped) if view.startswith(PAYLOAD)]
    if unwrapped:
        found.append(unwrapped)
    return tuple(found)


class Inspection:
    """All that the inspectors found in one set, by part and file."""

    def __init__(self, recipe: Recipe) -> None:
        self.recipe = recipe
        self._checked = [(part, pattern(part.files)) for part in recipe.parts if part.checks != Checks()]
        self._faults: dict[tuple[str, str], list[str]] = {}

    def inspectors(self, path: str) -> list[tuple[str, Inspector]]:
        """An inspector for each part with checks that the file may belong to."""
        if not self._checked:
            return []
        paths = views(path)
        return [
            (part.name, Inspector(part.checks))
            for part, files in self._checked
            if any(files.fullmatch(each) for each in paths)
        ]

    def record(self, path: str, size: int, inspectors: Iterable[tuple[str, Inspector]]) -> None:
        """Keep what the inspectors found once a file was read whole."""
        for part, inspector in inspectors:
            self._faults[part, path] = inspector.faults(size)

    def repeat(self, path: str, original: str) -> None:
        """Take for a file that repeats another what was found in that one, as far as the same parts' checks saw it."""
        for part, _ in self.inspectors(path):
            found = self._faults.get(
                (part, original), [f"repeats {original}, which the checks of this part did not see"]
            )
            self._faults[part, path] = found

    def faults(self, part: PartRule, path: str) -> list[str]:
        """What is wrong with a file as a file of that part, which has checks. A file nobody inspected is not sound."""
        return self._faults.get((part.name, path), ["was not inspected"])
