"""Times over which a memory may have been lost, and what sets from before and after them tell of it.

Explain, `awaiting-proof`: "the memory cell was changed, or a power-down was marked, and no proven set that was saved
after it was compared with the set from before it". `memory-differs`: such a set "differs from the set from before it,
volatile files aside", "until a later set equals the one from before, or a named person has checked the memory".
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from tests.oracle.memory import Known, Lapse
from tests.oracle.reading import Seen
from tests.oracle.recipe import matches, members
from tests.oracle.standing import Found, Standing


def about_memory(arm: Standing, action: str) -> Iterable[Found]:
    """What is found about the memory after each lapse that is not proven to have done no harm."""
    if arm.is_out():
        return  # the window says what counts
    for lapse in lapses(arm):
        how = outcome(arm, lapse)
        if how == "differs":
            told = max(_differing(arm, lapse), key=lambda one: (arm.captured(one), one.path))
            yield Found("memory-differs", "hold", f"{lapse.name} {told.path}")  # another set differs in another way
        elif how == "awaits":
            held = action in ("power-down", "memory-swap")
            yield Found(
                "awaiting-proof",
                "hold" if held else "caution",
                f"{lapse.name} {lapse.kind == 'power-down' and lapse.ended}",
            )


def settle(arm: Standing) -> None:
    """What was proven once stays so, whatever becomes of the sets; what differed once is not lifted by another mark."""
    for lapse in lapses(arm):
        name, how = (arm.arm.id, *lapse.name), outcome(arm, lapse)
        if how == "proven" and lapse.ended:
            arm.memory.settled[name] = lapse.ended
        elif how == "differs":
            arm.memory.differed[name] = lapse


def lapses(arm: Standing) -> list[Lapse]:
    """All that are not settled. Off and on at one moment: on came first, which is the worse reading."""
    found, off = [], None
    for mark in sorted(arm.marks("powered-on", "powered-off"), key=lambda one: (one.at, one.kind == "powered-off")):
        if mark.kind == "powered-off":
            off = off or mark.at
        elif off:
            found.append(Lapse("power-down", off, mark.at, _before(arm, off)))
            off = None
    if off:
        found.append(Lapse("power-down", off, None, _before(arm, off)))
    found += [Lapse("memory-swap", one.began, one.ended, one.before) for one in arm.swaps()[-1:]]
    found += [
        Lapse("memory-swap", at, at, _before(arm, at)) for at in arm.changes()
    ]  # nobody knows how long it was out
    names = {one.name for one in found}
    told = {*(mark.at for mark in arm.marks("powered-off", "cell-changed")), *(one.began for one in arm.swaps())}
    for name, one in arm.memory.differed.items():
        if name[0] == arm.arm.id and one.name not in names and one.began in told:
            found.append(one)  # whose mark nobody took back
    return [one for one in found if not _is_settled(arm, one)]


def _is_settled(arm: Standing, lapse: Lapse) -> bool:
    """Whether it was proven once; power that came back later than was told then, or not at all, is another matter."""
    ended = arm.memory.settled.get((arm.arm.id, *lapse.name))
    return ended is not None and (lapse.kind != "power-down" or bool(lapse.ended and lapse.ended <= ended))


def _before(arm: Standing, began: datetime) -> Seen | None:
    """The newest complete set from before; what became of it since does not matter, for it was read."""
    sets = [one for one in arm.sets if _tells(arm, one) and arm.captured(one) <= began]
    newest = max(sets, key=lambda one: (arm.captured(one), one.path), default=None)
    return newest.sealed if newest else None


def _tells(arm: Standing, one: Known) -> bool:
    return one.sealed is not None and arm.complete(one) and not arm.foreign(one)


def outcome(arm: Standing, lapse: Lapse) -> str:
    """What the sets from after a lapse tell: proven, differs, or awaits where they tell nothing."""
    if lapse.ended is None:
        return "awaits"
    if any(_is_answered_for(arm, lapse, one) for one in arm.sets):
        return "proven"
    after = [one for one in arm.sets if one.sealed and _is_after(arm, one, lapse.ended)]
    proven = [one for one in after if arm.can_carry(one)]
    if lapse.before is None:
        # Nothing was known of that memory, so the first set from after it is the first that tells.
        marked = lapse.kind == "power-down" or lapse.began == lapse.ended
        first = marked and not any(_is_before(arm, one, lapse.began) for one in arm.sets)
        return "proven" if first and proven else "awaits"
    was = lasting(arm, lapse.before)
    now = [(lasting(arm, one.sealed), one) for one in after if one.sealed]
    if any(files == was and _is_new(arm, one, lapse.before) for files, one in now if one in proven):
        return "proven"
    return "differs" if _differing(arm, lapse) else "awaits"


def _differing(arm: Standing, lapse: Lapse) -> list[Known]:
    """The sets from after a lapse whose content differs from the one before."""
    if lapse.before is None or lapse.ended is None:
        return []
    was = lasting(arm, lapse.before)
    after = [one for one in arm.sets if one.sealed and _is_after(arm, one, lapse.ended) and _tells(arm, one)]
    return [one for one in after if one.sealed and lasting(arm, one.sealed) != was]


def _is_answered_for(arm: Standing, lapse: Lapse, one: Known) -> bool:
    """Whether a named person has checked the memory by a proven set, of which it is enough that it came later.

    Explain: "where the axis zero references differ also" a `re-zeroed` mark.
    """
    was, ended = lapse.before, lapse.ended
    if one.sealed is None or ended is None or one.first_seen <= ended or arm.original(one) is not one:
        return False
    checks = [mark for mark in arm.marks("memory-checked") if mark.print_of == one.sealed.fingerprint]
    if not arm.can_carry(one) or not any(mark.at > ended for mark in checks) or (was and was.path == one.path):
        return False
    if was is None or "axis-zero" not in arm.setting.parts or _axis(arm, was) == _axis(arm, one.sealed):
        return True
    return any(_saved(arm, was) < mark.at <= one.first_seen for mark in arm.marks("re-zeroed"))


def _axis(arm: Standing, seen: Seen) -> dict[str, bytes]:
    return members(seen, arm.setting.parts["axis-zero"].files)


def _saved(arm: Standing, seen: Seen) -> datetime:
    return arm.captured(arm.memory.known[seen.path])


def _is_after(arm: Standing, one: Known, ended: datetime) -> bool:
    """Saved after it for certain: by every time that it has."""
    assert one.sealed
    return arm.captured(one) > ended and not arm.clock_doubt(one)


def _is_before(arm: Standing, one: Known, began: datetime) -> bool:
    """Whether a set may be from before, complete or not; what cannot be told of it is no proof that it is not."""
    if one.sealed is None:
        stamp = one.first.stamp
        return not arm.gone(one) and min(stamp or one.first_seen, one.first_seen) <= began
    return not arm.foreign(one) and arm.captured(one) <= began


def lasting(arm: Standing, seen: Seen) -> dict[str, str]:
    """What a set holds, volatile files aside."""
    return _files(arm, seen, volatile=False)


def _files(arm: Standing, seen: Seen, *, volatile: bool) -> dict[str, str]:
    """A checksum list is neither: it was made of the others, the volatile ones too, and no memory holds it."""
    patterns = arm.setting.volatile
    return {
        name: file.digest
        for name, file in seen.files.items()
        if name != "SHA256SUMS" and any(matches(name, one) for one in patterns) == volatile
    }


def _is_new(arm: Standing, one: Known, before: Seen) -> bool:
    """Design 4: "a real backup differs from the one before at least in its volatile parts"."""
    assert one.sealed
    mine, theirs = (_files(arm, seen, volatile=True) for seen in (one.sealed, before))
    return not theirs or bool(mine.items() - theirs.items())
