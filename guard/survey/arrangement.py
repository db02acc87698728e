"""Finds out which piece of the names is the arm and which the area, and writes it down as a layout. Pure."""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence

from guard.record import Record
from guard.share.layout import NOTHING_YET, Layout, LayoutFault, stem
from guard.survey.naming import FREE, Pieces, is_arm_id, is_plain
from guard.survey.sample import Entry, joined
from guard.survey.stamps import Stamp, order_told, settled, tells_day
from guard.survey.words import is_kind

FEWEST_OF_A_FURTHER_LAYOUT = 2


class SetSeen(Record):
    """A folder or archive seen in the share, with the values and stamps of its names from the share down."""

    path: str
    entry: Entry
    values: tuple[str, ...] = ()
    stamps: tuple[Stamp, ...] = ()
    directives: frozenset[str] = frozenset()

    def with_inner(self, entry: Entry, pieces: Pieces) -> SetSeen:
        """What lies in it under that name."""
        return SetSeen(
            joined(self.path, entry.name), entry, self.values + pieces.values, self.stamps + pieces.stamps,
            self.directives | pieces.directives,
        )  # fmt: skip


class Sets(Record):
    """What may be sets: folders and archives whose names have the same shapes, level by level."""

    shapes: tuple[str, ...]
    members: list[SetSeen]

    @property
    def has_stamp(self) -> bool:
        """Whether their names tell a day."""
        return tells_day(self.members[0].directives)


class ArmSet(Record):
    """A set and the arm that it belongs to."""

    path: str
    is_folder: bool
    arm: str


class Arrangement(Record):
    """How a share is laid out. ``explained`` are paths that a doubt tells of already."""

    layouts: tuple[str, ...]
    arms: dict[str, str]
    sets: tuple[ArmSet, ...]
    doubts: tuple[str, ...]
    explained: frozenset[str]


def arranged(sets: Sets, unopened: Iterable[SetSeen] = ()) -> Arrangement | str:
    """The layout, arms and areas that the names tell; in words why not where they tell none."""
    fields = _fields(sets)
    if fields is None:
        return "its names tell one kind of backup from another, but no arm from another"
    layout, doubts = _layout(sets, fields)
    try:
        Layout(layout)
    except LayoutFault as fault:
        return fault.wrong
    place = fields.index("{arm}")
    area = fields.index("{area}") if "{area}" in fields else None
    owners = _owners(sets.members, place, area)
    twice = sorted(arm for arm, areas in owners.items() if len(areas) > 1)
    unfit = sorted(arm for arm in owners if not is_arm_id(arm))
    arms = {arm: areas.most_common(1)[0][0] for arm, areas in owners.items() if is_arm_id(arm) and len(areas) == 1}
    named_only = [
        member for member in unopened
        if place < len(member.values) and is_arm_id(member.values[place]) and member.values[place] not in owners
    ]  # fmt: skip
    arms |= {member.values[place]: member.values[area] if area is not None else "" for member in named_only}
    if not arms:
        return _why_none(unfit, twice)
    return Arrangement(
        (layout,),
        {arm: where if is_plain(where) else "" for arm, where in arms.items()},
        tuple(ArmSet(m.path, m.entry.is_folder, m.values[place]) for m in sets.members if m.values[place] in arms),
        (*doubts, *_arm_doubts(arms, unfit, twice, len(named_only))),
        frozenset(_with_above(m.path for m in sets.members)) | {m.path for m in named_only},
    )


def _with_above(paths: Iterable[str]) -> Iterable[str]:
    for path in paths:
        names = path.split("/")
        yield from ("/".join(names[: n + 1]) for n in range(len(names)))


def _owners(members: list[SetSeen], place: int, area: int | None) -> dict[str, Counter[str]]:
    owners: dict[str, Counter[str]] = defaultdict(Counter)
    for member in members:
        owners[member.values[place]][member.values[area] if area is not None else ""] += 1
    return owners


def _why_none(unfit: Sequence[str], twice: Sequence[str]) -> str:
    if twice:
        return (
            f"the names {_few(twice)} recur in several folders above them, so that they cannot tell arms apart;"
            " give each arm a name of its own"
        )
    return f"the names {_few(unfit)} cannot be arm ids, which have letters, digits, - _ and . only"


def _few(names: Sequence[str]) -> str:
    return ", ".join(map(repr, names[:5])) + (f" and {len(names) - 5} more" if len(names) > 5 else "")


def _arm_doubts(arms: dict[str, str], unfit: list[str], twice: list[str], named_only: int) -> Iterable[str]:
    if unfit:
        yield (
            f"{len(unfit)} names cannot be arm ids (letters, digits, - _ and . only) and are left out: {_few(unfit)}."
            " Their backups are NOT looked after until the folders are renamed."
        )
    if twice:
        yield (
            f"{len(twice)} arms stand in several areas and are left out, since two arms may share the name:"
            f" {_few(twice)}. Their backups are NOT looked after."
        )
    if named_only:
        yield f"{named_only} of the arms are known by the names of their folders only, which were not opened."
    strange = sorted({area for area in arms.values() if area and not is_plain(area)})
    if strange:
        yield f"{len(strange)} areas have names that cannot be written here: {_few(strange)}. Their arms have no area."
    if len(arms) == 1:
        yield "only one arm was seen. Is this the folder that holds the backups of all arms?"


# Fields: what each value of the names stands for, as it is written in a layout.


def _fields(sets: Sets) -> list[str] | None:
    """For each value of the names its field or the text that it always is; None where none is an arm."""
    columns = list(zip(*(member.values for member in sets.members), strict=True))
    roles = ["{any}" if len(set(column)) > 1 or not _can_stand(column[0]) else column[0] for column in columns]
    varied = [n for n, column in enumerate(columns) if len(set(column)) > 1 and not _is_kind(column)]
    first_of = {n: next(m for m in varied if _same(columns[m], columns[n])) for n in varied}
    varied = [n for n in varied if first_of[n] == n]
    if not varied:
        single = [n for n, column in enumerate(columns) if len(set(column)) == 1 and not _is_kind(column)]
        varied = single[-1:]
        first_of |= {n: n for n in varied}
    if not varied:
        return None
    arm = varied[-1]
    area = varied[-2] if len(varied) > 1 else None
    for n, first in first_of.items():
        if first in (arm, area):
            roles[n] = "{arm}" if first == arm else "{area}"
    return roles


def _can_stand(text: str) -> bool:
    return is_plain(text) and not set(text) & set("{}\\/")


def _is_kind(column: Sequence[str]) -> bool:
    names = set(column)
    return sum(map(is_kind, names)) * 10 >= 9 * len(names)


def _same(left: Sequence[str], right: Sequence[str]) -> bool:
    return sum(a == b for a, b in zip(left, right, strict=True)) * 20 >= 19 * len(left)


def _layout(sets: Sets, fields: list[str]) -> tuple[str, list[str]]:
    rest = iter(fields)
    text = "/".join("".join(next(rest) if sign == FREE else sign for sign in shape) for shape in sets.shapes)
    doubts = []
    if not sets.has_stamp:
        doubts.append("the names tell no date, so a set is as old as the newest file in it says.")
    elif "H" not in sets.members[0].directives:
        doubts.append(
            "the names tell the day only, so each set counts as taken at the first minute of that day:"
            " one that is saved after work of the same day counts as saved before it. Better let the names tell the time too."
        )
    if "%1" in text:
        stamps = [s for member in sets.members for s in member.stamps if "%1" in s.form]
        order = order_told(stamps)
        text = settled(text, order)
        doubts += _order_doubts(order, text, stamps[0].text)
    if "%y" in text:
        doubts.append(f"six digits such as {_two_digit_year(sets)} are read as year, month and day. Is that so?")
    return text, doubts


def _two_digit_year(sets: Sets) -> str:
    return next(stamp.text for stamp in sets.members[0].stamps if "%y" in stamp.form)


def _order_doubts(order: tuple[int, int], layout: str, example: str) -> Iterable[str]:
    day_first, month_first = order
    if day_first and month_first:
        yield f"of the dates some can only be read with the day first, others only with the month first, as in {layout}."
    elif not day_first and not month_first:
        yield (
            f"dates such as {example} are read with the day first (%d, then %m), but no name proves it."
            " If the month stands first, swap %d and %m in the layout."
        )


# Further layouts of the same share


def with_further(main: Arrangement, others: list[Sets]) -> Arrangement:
    """The arrangement together with others whose sets belong to the same arms."""
    for sets in others:
        if len(sets.members) < FEWEST_OF_A_FURTHER_LAYOUT or not sets.has_stamp:
            continue
        more = arranged(sets)
        if isinstance(more, str) or not set(more.arms) & set(main.arms) or more.layouts[0] in main.layouts:
            continue
        layouts = tuple(map(Layout, (*main.layouts, *more.layouts)))
        arms = main.arms | {arm: area for arm, area in more.arms.items() if arm not in main.arms}
        both = (*main.sets, *more.sets)
        if all(arm_by_layouts(layouts, each, arms) == each.arm for each in both):
            doubt = f"{len(more.sets)} sets are named in another way ({more.layouts[0]}); both ways are taken in."
            texts = (*main.layouts, *more.layouts)
            explained = main.explained | more.explained
            main = Arrangement(texts, arms, both, (*main.doubts, doubt, *more.doubts), explained)
    return main


def arm_by_layouts(layouts: tuple[Layout, ...], seen: ArmSet, arms: dict[str, str]) -> str | None:
    """The arm that the first fitting layout gives a path, as a look would find it."""
    names = seen.path.split("/")
    for layout in layouts:
        match = NOTHING_YET
        for depth, segment in enumerate(layout.segments[: len(names)]):
            is_last = depth + 1 == len(layout.segments)
            name = names[depth]
            bare = stem(name) if is_last and not seen.is_folder else name
            further = segment.match(bare, match, arms) if bare else None
            if further is None or (is_last and depth + 1 < len(names)):
                break
            match = further
        else:
            if len(names) == len(layout.segments):
                return match.arm
    return None
