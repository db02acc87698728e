"""How things stand with one arm: what is known of its sets, its marks, its swaps and its power."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import NamedTuple

from tests.oracle.memory import BELIEVED_SINCE, Known, Mark, Memory, Swap
from tests.oracle.reading import Seen, Share
from tests.oracle.recipe import identity, members, problems


class Found(NamedTuple):
    """One finding; ``subject`` is what a sign-off of it is about."""

    code: str
    level: str
    subject: str = ""


def saved(seen: Seen) -> frozenset[tuple[str, str]]:
    """Every saved byte of a set: a list of checksums was made of them, and may have come later (explain)."""
    return frozenset((name, file.digest) for name, file in seen.files.items() if name != "SHA256SUMS")


class Standing:
    """One arm as things stand at ``now``; ``share`` is the share as it lies there, None where it is offline."""

    def __init__(self, memory: Memory, share: Share | None, arm: str, now: datetime) -> None:
        self.memory, self.setting, self.share = memory, memory.setting, share
        self.arm, self.now = memory.setting.arm(arm), now
        self.sets = [known for known in memory.known.values() if known.arm == arm]
        self.equals = self._newest()
        self.carrier = self.equals[-1] if self.equals else None
        self.moments: set[datetime] = set()
        self.crossings: dict[tuple[str, timedelta], dict[str, dict[str, datetime | None]]] = {}  # see `cells`

    # --- moments ----------------------------------------------------------------------------------------

    def after(self, at: datetime, moment: datetime) -> bool:
        """Whether a moment has passed, itself not included; it is one at which a level may change."""
        self.moments.add(moment)
        return at > moment

    def has_come(self, at: datetime, moment: datetime) -> bool:
        """Whether a moment has come, itself included."""
        self.moments.add(moment)
        return at >= moment

    # --- what is known of a set -------------------------------------------------------------------------

    def own_capture(self, known: Known) -> datetime:
        """Design 4: the earliest plausible of stamp, newest modification time and first sight."""
        assert known.sealed
        return self._claim(known, known.versions[-1])

    @staticmethod
    def _claim(known: Known, version: Seen) -> datetime:
        newest = max((file.changed for file in version.files.values()), default=None)
        times = [version.stamp, newest, known.first_seen]
        return min(time for time in times if time and BELIEVED_SINCE <= time <= known.first_seen)

    def original(self, known: Known) -> Known:
        """Design 4: the oldest set of the arm that has, or once had, the very same bytes.

        Only where a recipe names what is volatile.
        """
        assert known.sealed
        if not self.setting.volatile or known.sealed.broken:
            return known
        print_of = saved(known.sealed)
        return min((claim, one is not known, one.path, one) for claim, one in self._with(print_of))[-1]

    def captured(self, known: Known) -> datetime:
        """When the controller was saved, as far as it can be believed."""
        assert known.sealed
        if not self.setting.volatile or known.sealed.broken:
            return self.own_capture(known)
        return min(claim for claim, _ in self._with(saved(known.sealed)))

    def _with(self, print_of: frozenset[tuple[str, str]]) -> list[tuple[datetime, Known]]:
        """The sets of the arm that had these bytes, each with the time that it claims as it was then."""
        return [
            (self._claim(one, version), one)
            for one in self.sets
            for version in one.versions
            if saved(version) == print_of and not version.broken
        ]

    def complete(self, known: Known) -> bool:
        """Every part of the recipe there and sound."""
        return known.sealed is not None and not problems(known.sealed, self.setting)

    def damaged(self, known: Known) -> str:
        """Why a set is not what it was: found before, or by a listing now."""
        return known.damage or ("changed" if known.read_at and self.changed(known) else "")

    def changed(self, known: Known) -> bool:
        """Whether a listing shows a set otherwise than before.

        No rule says of which sets but the one that it relies on `ask` must notice that.
        """
        seen = self.share.sets.get(known.path) if self.share else None
        return known.sealed is not None and seen is not None and seen.look != known.listed

    def gone(self, known: Known) -> bool:
        """Whether a set is no longer where it was; of an offline share nothing is known to have gone."""
        return known.gone if self.share is None else known.path not in self.share.sets

    def foreign(self, known: Known) -> str:
        """Design 4, `wrong-arm`: another arm's axis-zero or image, or an identity that is not the arm's."""
        assert known.sealed
        if self.setting.identity and identity(known.sealed) not in (None, self.arm.serial):
            return "names another controller"
        for other in self.memory.known.values():
            if other.arm == known.arm or other.sealed is None or other.gone:
                continue  # explain wrong-arm: who moves the wrong set out of the share has said which is right
            for part in ("axis-zero", "image"):
                if part in self.setting.parts:
                    mine = members(known.sealed, self.setting.parts[part].files)
                    if any(mine.values()) and mine == members(other.sealed, self.setting.parts[part].files):
                        return f"{part} equals that of {other.path}"
        return ""

    def can_carry(self, known: Known) -> bool:
        """Whether an answer may rest on a set."""
        is_sound = self.complete(known) and not self.damaged(known) and not self.foreign(known)
        return is_sound and known.read_at is not None and not self.gone(known)

    def clock_doubt(self, known: Known) -> bool:
        """Whether the stamp of a set is not to be believed."""
        stamp = known.sealed.stamp if known.sealed else None
        return stamp is not None and not BELIEVED_SINCE <= stamp <= known.first_seen

    def _newest(self) -> list[Known]:
        """Contract: the newest complete set that was read back at least once, neither damaged nor another arm's.

        Several where they are equally new: the rules do not say which of them.
        """
        good = [known for known in self.sets if known.sealed and self.can_carry(known)]
        latest = max(map(self.captured, good), default=None)
        return sorted((known for known in good if self.captured(known) == latest), key=lambda known: known.path)

    # --- what was told of the arm -----------------------------------------------------------------------

    def marks(self, *kinds: str) -> list[Mark]:
        """What people recorded of the arm, of these kinds."""
        return [mark for mark in self.memory.marks if mark.arm == self.arm.id and mark.kind in kinds]

    def swaps(self) -> list[Swap]:
        """The changes of the arm's memory cell."""
        return [swap for swap in self.memory.swaps if swap.arm == self.arm.id]

    def changes(self) -> list[datetime]:
        """When the memory cell was changed by what was only marked, since its last change that had a window."""
        last, types = self.swaps()[-1:], [cell.type for cell in self.arm.cells if cell.kind == "memory"]
        told = [mark.at for mark in self.marks("cell-changed") if mark.cell in types]
        return [at for at in told if all(one.ended and at > one.ended for one in last)]

    def off_at(self) -> datetime | None:
        """When the power was off the last time for a change of the memory cell (design 3)."""
        return max([*(swap.ended for swap in self.swaps() if swap.ended), *self.changes()], default=None)

    def is_out(self) -> bool:
        """Whether the memory cell is out."""
        mine = self.swaps()
        return bool(mine) and mine[-1].ended is None

    def power(self) -> tuple[str, datetime] | None:
        """Whether the controller is known to be on or off, and since when.

        For a swap it is off, so that nothing is known any more of power that was on before.
        Of several marks the last one counts. Whoever marks powered-on twice says that it was off in between, and
        design 6 takes what does not add up for the worse.
        """
        swapped = max([*(swap.began for swap in self.swaps()), *self.changes()], default=None)
        told = sorted(self.marks("powered-on", "powered-off"), key=lambda mark: (mark.at, mark.kind == "powered-off"))
        if not told or (swapped is not None and told[-1].kind == "powered-on" and told[-1].at <= swapped):
            return None
        return told[-1].kind, told[-1].at
