"""Seals a set that was read whole: its fingerprint, its parts, and what keeps it from being complete."""

from __future__ import annotations

import hashlib
import re
from collections.abc import Iterable, Mapping
from datetime import datetime, timedelta

from guard.model import FileFacts, Part, Problem
from guard.plant import Checks, PartRule, Recipe
from guard.record import Record
from guard.rules.capture import EARLIEST_PLAUSIBLE
from guard.share.checksums import Digest, bag_faults, is_checksum_list, payload, sums_faults
from guard.share.find import is_left_by_a_file_browser
from guard.share.fingerprint import digest_in_order, fingerprint, in_path_order
from guard.share.recipe import Inspection, pattern
from guard.share.source import Reading
from guard.times import EPOCH, from_ns

MOST_TOLD = 100
"""Problems of one kind that are told of a set, each in words; of the rest their number says enough."""


class Sealed(Record):
    """A set as it was read. ``fingerprint`` is None where an archive could not be read to its end.

    ``essence`` is the fingerprint of what was saved, where there is more than that: what a file browser left, a list
    of checksums, or the bag in which it was packed.
    """

    files: tuple[FileFacts, ...]
    fingerprint: str | None
    newest_member: datetime | None
    parts: tuple[Part, ...]
    problems: tuple[Problem, ...]
    identity: str | None
    essence: str | None = None

    @property
    def complete(self) -> bool:
        """Every part of the recipe is there and sound, and every checksum list agrees."""
        return self.fingerprint is not None and not any(p.code == "incomplete-set" for p in self.problems)


def keeps_content(path: str, recipe: Recipe) -> bool:
    """Whether sealing needs the content of the file, and not only its digests."""
    return is_checksum_list(path) or (recipe.identity is not None and path == recipe.identity.file)


def seal(reading: Reading, inspection: Inspection, further: Mapping[Digest, str], as_of: datetime) -> Sealed:
    """Judge what was read of a set by its recipe and by the checksum lists within it."""
    recipe = inspection.recipe
    odd = [f"{member.path} {member.why}" for member in reading.odd]
    if reading.broken is not None:
        broken = Problem("incomplete-set", f"the archive cannot be read: {reading.broken}")
        return Sealed((), None, None, (), (broken, *_problems("odd-entry", odd)), None)
    files = in_path_order(reading.files)
    odd += [f"{path} is named as a copy that did not finish" for path in _unfinished(files, recipe)]
    by_path = {file.path: file for file in files}
    saved = _without_strays(files)
    named = payload({file.path: file for file in saved})
    faults = [] if files else ["it holds no file"]
    faults += [*sums_faults(by_path, reading.kept), *bag_faults(by_path, reading.kept, further)]
    parts = []
    for rule in recipe.parts:
        part, part_faults = _part(rule, named, reading.taken_off, inspection, as_of)
        parts.append(part)
        faults += part_faults
    identity = _identity(recipe, named, reading.kept)
    if recipe.identity is not None and identity is None:
        faults.append(f"{recipe.identity.file} does not tell which controller it was saved from")
    problems = _problems("incomplete-set", faults) + _problems("odd-entry", odd)
    newest = newest_time((file.mtime_ns for file in saved), as_of)
    return Sealed(
        tuple(files), digest_in_order(files), newest, tuple(parts), tuple(problems), identity, _essence(named, files)
    )


def _essence(named: Mapping[str, FileFacts], files: list[FileFacts]) -> str | None:
    """The fingerprint of what was saved, by the names it was saved under; None where that is all there is."""
    kept = [file._replace(path=name) for name, file in named.items() if not is_checksum_list(name)]
    return fingerprint(kept) if 0 < len(kept) < len(files) else None


def _problems(code: str, told: list[str]) -> list[Problem]:
    """Each of them a problem, up to MOST_TOLD, and then how many more there are."""
    more = len(told) - MOST_TOLD
    rest = [Problem(code, f"and {more} more of this kind, of {len(told)}")] if more > 0 else []
    return [Problem(code, each) for each in told[:MOST_TOLD]] + rest


UNFINISHED = (".part", ".partial", ".filepart", ".crdownload", ".tmp")
"""How programs that copy name a file until all of it is there (common practice, no source)."""


def _unfinished(files: Iterable[FileFacts], recipe: Recipe) -> list[str]:
    """The files that are named so, unless the recipe names files with that ending."""
    wanted = tuple(glob for part in recipe.parts for glob in part.files) + recipe.volatile
    endings = tuple(ending for ending in UNFINISHED if not any(glob.endswith(ending) for glob in wanted))
    return [file.path for file in files if file.path.lower().endswith(endings)]


def _without_strays(files: list[FileFacts]) -> list[FileFacts]:
    """The files without those that a file browser left when somebody looked at the folder: they came with no save."""
    return [file for file in files if not is_left_by_a_file_browser(file.path.rpartition("/")[2])]


def _part(
    rule: PartRule, payload: Mapping[str, FileFacts], taken_off: str, inspection: Inspection, as_of: datetime
) -> tuple[Part, list[str]]:
    fits = pattern(rule.files).fullmatch
    members = [(path, file) for path, file in payload.items() if fits(path)]
    faults = []
    if rule.checks != Checks():
        for path, file in members:
            faults += [f"{rule.name}: {path} {fault}" for fault in inspection.faults(rule, taken_off + file.path)]
    if len(members) < rule.at_least:
        there = f"{len(members)} files" if members else "no file"
        faults.append(f"{rule.name}: {there} like {' or '.join(rule.files)}, at least {rule.at_least} expected")
    files = [file for _, file in members]
    if rule.at_least and rule.checks.min_bytes is None and files and not any(file.size for file in files):
        faults.append(f"{rule.name}: nothing was written, every file is empty")
    content = hashlib.sha256(b"".join(sorted(file.sha256 for file in files))).hexdigest()
    size = sum(file.size for file in files)
    newest = newest_time((file.mtime_ns for file in files), as_of)
    return Part(rule.name, len(files), size, not faults, content, newest), faults


def _identity(recipe: Recipe, payload: Mapping[str, FileFacts], kept: Mapping[str, bytes]) -> str | None:
    wanted = recipe.identity
    file = payload.get(wanted.file) if wanted is not None else None
    if wanted is None or file is None or file.path not in kept:
        return None
    found = re.search(wanted.pattern, kept[file.path].decode("utf-8", "replace"))
    return found[wanted.field] if found else None


def newest_time(times_ns: Iterable[int | None], as_of: datetime) -> datetime | None:
    """The newest believable of modification times in ns; None where there is none.

    A time that a copy or a packer did not record shows as 1970 or 1980 and is left out.
    """
    earliest, latest = _ns(EARLIEST_PLAUSIBLE), _ns(as_of) + 999
    newest = max((time for time in times_ns if time is not None and earliest <= time <= latest), default=None)
    return None if newest is None else from_ns(newest)


def _ns(moment: datetime) -> int:
    return (moment - EPOCH) // timedelta(microseconds=1) * 1000
