"""Looks at an unknown share: where its sets are, whose they are, and what they hold. Guesses, and tells its doubts."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence

from guard.record import Record
from guard.survey.arrangement import Arrangement, Sets, SetSeen, arranged, with_further
from guard.survey.contents import Content, sampled
from guard.survey.guess import RecipeGuess, guessed, is_telling, named
from guard.survey.naming import FREE, is_plain, mask, pieces_of
from guard.survey.refusals import NothingToPropose
from guard.survey.sample import (
    EMPTY,
    FOLDERS_IN_ONE_LEVEL,
    LEAST_NAMES_IN_ONE_FOLDER,
    NAMES_IN_ONE_LEVEL,
    Entry,
    Sampler,
    joined,
    spread,
)
from guard.survey.stamps import further_stamp, tells_day
from guard.survey.words import role

DEEPEST = 6
"""Levels of folders above a set. Real shares have two to four."""

SHAPES_IN_ONE_LEVEL = 8
JUDGED_FOLDERS = 60
TRIED = 4
"""So many ways to see a share are tried against the content of its sets."""


class ArmSeen(Record):
    """An arm as the share shows it."""

    id: str
    area: str


class Survey(Record):
    """What a survey found. ``doubts`` are sentences for the person who reads the proposal."""

    share: str
    layouts: tuple[str, ...]
    arms: tuple[ArmSeen, ...]
    recipe: RecipeGuess
    sets: int
    doubts: tuple[str, ...]


def survey(share: str) -> Survey:
    """Look at an unknown share.

    Raises ShareUnreadable where it cannot be listed and NothingToPropose where nothing in it
    looks like sets.
    """
    sampler = Sampler(share)
    if not is_plain(share):
        raise NothingToPropose(share, "the path of the share itself holds signs that no configuration can hold")
    search = _Search(sampler)
    search.explore([SetSeen("", Entry("", "", is_folder=True))], ())
    found = sorted(search.found, key=lambda sets: (sets.has_stamp, len(sets.members)), reverse=True)
    reasons = []
    for sets in found[:TRIED]:
        arrangement = arranged(sets, search.unopened.get(sets.shapes[:-1], ()))
        if isinstance(arrangement, str):
            reasons.append(arrangement)
            continue
        arrangement = with_further(arrangement, [other for other in found if other is not sets])
        contents = sampled(share, arrangement.sets)
        if is_telling(contents, stamped=sets.has_stamp):
            return _survey(share, sampler, arrangement, guessed(contents))
        reasons.append(_why_not(contents))
    raise NothingToPropose(share, "; ".join(dict.fromkeys(reasons)) or _what_is_there(sampler))


def _why_not(contents: Sequence[Content]) -> str:
    empty = [content.path for content in contents if not content.files]
    if len(empty) * 2 > len(contents):
        return f"what is named like a set is empty or cannot be read ({named(empty)})"
    return "what lies in the folders has no name in common"


def _survey(share: str, sampler: Sampler, arrangement: Arrangement, recipe: RecipeGuess) -> Survey:
    arms = tuple(ArmSeen(arm, area) for arm, area in sorted(arrangement.arms.items()))
    doubts = (
        *_bounds(sampler, _above(arrangement)),
        *arrangement.doubts,
        *_misfits(sampler, arrangement),
        *recipe.doubts,
    )
    return Survey(share, arrangement.layouts, arms, recipe, len(arrangement.sets), doubts)


def _what_is_there(sampler: Sampler) -> str:
    top = sampler.folder("")
    folders = [entry.name for entry in top.inner if entry.is_folder]
    files = [entry.name for entry in top.inner if not entry.is_folder] + list(top.plain)
    if not folders and not files:
        return "it is empty" + (f" but for {len(sampler.links)} links" if sampler.links else "")
    shown = [f"{len(names)} {kind} ({named(names)})" for names, kind in ((folders, "folders"), (files, "files"))
             if names]  # fmt: skip
    return "it holds " + " and ".join(shown)


def _above(arrangement: Arrangement) -> set[str]:
    """The folders in which sets lie, and those above them; the share itself is the empty path."""
    paths = [seen.path.split("/") for seen in arrangement.sets]
    return {"/".join(names[:n]) for names in paths for n in range(len(names))}


def _bounds(sampler: Sampler, above: set[str]) -> Iterable[str]:
    """What was left out of the look. Within a set a few names are enough."""
    cut = [path or "the share itself" for path in sampler.cut if path in above]
    if cut:
        yield (
            f"the share is large: of {len(cut)} folders only a part of the names was read"
            f" ({named(cut)}). Arms may be missing below."
        )
    if sampler.left_unopened:
        yield f"the share is large: {sampler.left_unopened} folders were not opened. Arms may be missing below."
    if sampler.unreadable:
        yield (
            f"{len(sampler.unreadable)} folders could not be read ({named(sampler.unreadable)})."
            " What is in them is not known."
        )
    if sampler.links:
        links = sorted(sampler.links)
        yield f"{_counted(links, 'link or device is', 'links or devices are')} not followed ({named(links)})."


def _misfits(sampler: Sampler, arrangement: Arrangement) -> Iterable[str]:
    """Folders and files that were seen where sets lie, and that no layout fits."""
    above = _above(arrangement)
    known = {seen.path for seen in arrangement.sets} | above | arrangement.explained
    strange = []
    for path, folder in sampler.opened.items():
        if path in above:
            names = [entry.name for entry in folder.inner] + list(folder.plain)
            strange += [where for name in names if (where := joined(path, name)) not in known]
    empty = sorted(path for path in strange if sampler.opened.get(path) == EMPTY and path not in sampler.unreadable)
    if empty:
        yield (
            f"{_counted(empty, 'folder is', 'folders are')} empty: {named(empty)}. Arms that were never backed up? Then add them below;"
            " what is not listed there is NOT looked after."
        )
    strange = sorted(set(strange) - set(empty))
    if strange:
        does_not = _counted(strange, "folder or file does not", "folders or files do not")
        yield f"{does_not} fit this layout: {named(strange)}."


def _counted(names: Sequence[str], one: str, several: str) -> str:
    return f"{len(names)} {one if len(names) == 1 else several}"


class _Search:
    """Goes down the share level by level, and keeps names of one shape together."""

    def __init__(self, sampler: Sampler) -> None:
        self.sampler = sampler
        self.found: list[Sets] = []
        self.unopened: dict[tuple[str, ...], list[SetSeen]] = {}

    def explore(self, parents: list[SetSeen], shapes: tuple[str, ...]) -> None:
        """Look at what lies in these folders, whose names have these shapes from the share down."""
        if len(shapes) >= DEEPEST or not parents:
            return
        opened = spread(parents, FOLDERS_IN_ONE_LEVEL)
        if len(opened) < len(parents):
            there = {parent.path for parent in opened}
            left = [parent for parent in parents if parent.path not in there]
            self.unopened[shapes] = left
            self.sampler.left_unopened += len(left)
        groups = self._grouped(opened)
        largest = sorted(groups, key=lambda shape: len(groups[shape]), reverse=True)[:SHAPES_IN_ONE_LEVEL]
        for shape in largest:
            self._group((*shapes, shape), groups[shape])

    def _grouped(self, parents: list[SetSeen]) -> dict[str, list[SetSeen]]:
        at_most = max(NAMES_IN_ONE_LEVEL // len(parents), LEAST_NAMES_IN_ONE_FOLDER)
        pairs = [(parent, entry) for parent in parents for entry in self.sampler.folder(parent.path, at_most).inner]
        plain = _read_as(pairs, with_time=False)
        timed = _read_as(pairs, with_time=True)
        return timed if _times_are_times(plain, timed) else plain

    def _group(self, shapes: tuple[str, ...], members: list[SetSeen]) -> None:
        folders = [member for member in members if member.entry.is_folder]
        if not _tells_set(members[0]):
            archives = [member for member in members if not member.entry.is_folder]
            bare = not members[0].directives
            undated = folders if bare and self._hold_parts(folders) else []
            if (bare and archives) or undated:
                self.found.append(Sets(shapes, archives + undated))
            if not undated:
                self.explore(folders, shapes)
            return
        if _are_parts(members, shapes[-1]):
            return
        further = bool(folders) and self._open_further(folders)
        sets = [member for member in members if not (further and member.entry.is_folder)]
        if sets:
            self.found.append(Sets(shapes, sets))
        if further:
            self.explore(folders, shapes)

    def _hold_parts(self, folders: list[SetSeen]) -> bool:
        """Whether folders without any date hold the parts of a set: at least two that are told by name."""
        judged = spread(folders, JUDGED_FOLDERS)
        holding = 0
        for folder in judged:
            there = self.sampler.folder(folder.path)
            roles = {role(name) for name in [*(entry.bare for entry in there.inner), *there.plain]}
            holding += len(roles - {None}) >= 2
        return len(folders) >= 2 and holding * 2 >= len(judged)

    def _open_further(self, folders: list[SetSeen]) -> bool:
        """Whether these dated folders are no sets but hold the sets of several arms, or of several times."""
        votes: Counter[bool] = Counter()
        owners: dict[str, set[tuple[str, ...]]] = defaultdict(set)
        for folder in spread(folders, JUDGED_FOLDERS):
            there = self.sampler.folder(folder.path)
            if len(there.inner) > 1 or there.plain:
                votes[not there.plain and self._alike(folder, there.inner)] += 1
            elif there.inner and _is_time(folder, there.inner[0]):
                votes[True] += 1
            for entry in there.inner:
                if not _is_time(folder, entry) and role(entry.bare) is None:
                    owners[entry.bare].add(folder.values)
        shared = sum(len(values) > 1 for values in owners.values())
        # The same names below several arms are parts of a set; an arm's name stands below one area only.
        alone = not votes and len(set().union(*owners.values())) > 1
        return (alone or votes[True] > votes[False]) and shared * 2 <= len(owners)

    def _alike(self, folder: SetSeen, inner: tuple[Entry, ...]) -> bool:
        if all(_is_time(folder, entry) for entry in inner):
            return True
        if sum(role(entry.bare) is not None for entry in inner) * 2 >= len(inner):
            return False
        if len(inner) < 2:
            return False
        if len({mask(entry.bare) for entry in inner}) * 2 <= len(inner):
            return True
        first, second = (self._names_in(folder, entry) for entry in inner[:2])
        return bool(first) and len(first & second) * 2 >= len(first | second)

    def _names_in(self, folder: SetSeen, entry: Entry) -> set[str]:
        if not entry.is_folder:
            return {"an archive"}
        there = self.sampler.folder(joined(folder.path, entry.name))
        return {each.name for each in there.inner} | set(there.plain)


def _read_as(pairs: list[tuple[SetSeen, Entry]], *, with_time: bool) -> dict[str, list[SetSeen]]:
    groups: dict[str, list[SetSeen]] = defaultdict(list)
    for parent, entry in pairs:
        pieces = pieces_of(entry.bare, parent.directives, with_time=with_time)
        groups[pieces.shape].append(parent.with_inner(entry, pieces))
    return groups


def _times_are_times(plain: dict[str, list[SetSeen]], timed: dict[str, list[SetSeen]]) -> bool:
    """Whether numbers such as 0510 beside other text are times of day, and no numbers of arms.

    Takes as proof that the rest of the name recurs with other numbers, or tells arms apart by
    digits of its own.
    """
    new = [member for shape, members in timed.items() if shape not in plain for member in members]
    if not new:
        return False
    rests = {member.values for member in new}
    paths = {member.path for member in new}
    names = {member.entry.bare for member in plain_members(plain, paths)}
    recurring = len(rests) * 3 <= len(names) * 2 and len(rests) > 1
    return recurring or all(any(sign.isdigit() for sign in "".join(rest)) for rest in rests)


def plain_members(groups: dict[str, list[SetSeen]], paths: set[str]) -> list[SetSeen]:
    """The members of all groups that have one of these paths."""
    return [member for members in groups.values() for member in members if member.path in paths]


def _is_time(folder: SetSeen, entry: Entry) -> bool:
    return further_stamp(entry.bare, folder.directives) is not None


def _tells_set(member: SetSeen) -> bool:
    return tells_day(member.directives) and bool(member.values)


def _are_parts(members: list[SetSeen], shape: str) -> bool:
    """Whether the names below a date are the parts of one set and no arms."""
    names = {member.entry.bare for member in members}
    return shape == FREE and sum(role(name) is not None for name in names) * 2 >= len(names)
