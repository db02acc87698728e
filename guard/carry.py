"""The use cases of restoring: which set would be restored, and carrying it to a medium as a bag that was read back."""

from __future__ import annotations

import os
from datetime import datetime

from guard import __version__
from guard.desk import Desk
from guard.errors import GuardError, ShareDoubtful, ShareUnreadable
from guard.gather import look_again
from guard.model import ArmFacts, RestingSet
from guard.record import Record
from guard.rules.evidence import utc
from guard.rules.restore import AFTER, Choice, choose

TYPE_CHECKING = False

if TYPE_CHECKING:  # copying needs archives and digests, which no question does
    from guard.share.cargo import Bag, Cargo
    from guard.share.look import Progress

KIND = "carry"


class Chosen(Record):
    """Which set would be restored, and the facts that this rests on."""

    choice: Choice
    facts: ArmFacts


class Carried(Record):
    """A set that stands on a medium; ``entry`` is the number of the ledger's entry about it."""

    chosen: RestingSet
    bag: Bag
    cargo: Cargo
    entry: int


def choose_set(desk: Desk, arm: str, before: datetime | None = None, named: str | None = None) -> Chosen:
    """Which set of an arm would be restored, once every file of it was looked at as it is on the share now."""
    (facts,) = desk.facts([arm])
    while True:
        choice = choose(facts, before, named)
        if choice.chosen is None or choice.doubt is not None:
            return Chosen(choice, facts)
        changed = look_again(facts, choice.chosen.set, desk.ground(), desk.catalogue)
        if changed is None:
            return Chosen(choice, facts)
        facts = changed


def named_set(desk: Desk, arm: str, text: str) -> str:
    """The path of a set that a person named for an arm. Raises UnknownSet, AmbiguousSet and NotRestorable."""
    from guard.share.refusals import NotRestorable

    known, place = desk.resolve(text)
    if known.arm != arm:
        what = f"it is another arm's: it lies among the sets of {known.arm}"
        raise NotRestorable(
            known.path, what, f"Another arm's data moves {arm} elsewhere than taught. See: guard sets {arm}"
        )
    if place:
        remedy = "Copy it to its place on the share, then run: guard look and guard prove --due"
        raise NotRestorable(known.path, f"it is not on the share, but in further copy {place} only", remedy)
    return known.path


def refuse(found: Chosen, desk: Desk) -> RestingSet:
    """The chosen set. Raises ShareUnreadable, ShareDoubtful or NotRestorable where there is none that may be carried."""
    from guard.share.refusals import NotRestorable

    choice, share, root = found.choice, found.facts.share, desk.settings.share
    if share.unreadable is not None:
        raise ShareUnreadable(root, share.unreadable)
    if choice.doubt is not None:
        raise ShareDoubtful(root, "it may not be the right one", choice.doubt)
    if choice.hindrance is not None and choice.named is not None:
        raise NotRestorable(choice.named, choice.hindrance.what, choice.hindrance.remedy)
    if choice.chosen is None:
        which = " that was saved before that time" if choice.before is not None else ""
        if choice.differs is not None:
            which = f" from before {AFTER[choice.differs.kind]} after which the memory differed"
        what = f"no set{which} is complete, was read back, and is neither damaged nor another arm's"
        raise NotRestorable(f"A set of {choice.arm}", what, f"What each lacks: guard sets {choice.arm}")
    return choice.chosen


def carry(desk: Desk, chosen: RestingSet, arm: str, dest: str, progress: Progress) -> Carried:
    """Copy a set to a folder on a medium as a bag, read it back there, and record that, as one fact.

    Raises the refusals of `guard.share.refusals`, and ShareUnreadable.
    """
    from guard.share import carry as carrying
    from guard.share.cargo import SourceDiffers, Told
    from guard.share.listing import SetUnreadable

    refuse_own_folders(desk, dest)
    cargo = _cargo(desk, chosen, arm)
    try:
        bag = carrying.carry(dest, cargo, Told(progress.reading, progress.read))
    except SourceDiffers as error:
        raise _read_again(desk, chosen.set.path, arm, str(error), progress) from error
    except SetUnreadable as error:
        raise ShareUnreadable(desk.settings.share, f"{chosen.set.path}: {error}") from error
    return Carried(chosen, bag, cargo, _recorded(desk, chosen, arm, bag, cargo))


def _read_again(desk: Desk, path: str, arm: str, what: str, progress: Progress) -> GuardError:
    """The refusal of a set that gave something else than before; what a second read of it finds is written down."""
    from guard.share.refusals import NotRestorable

    known = desk.catalogue.known(0, arm).get(path)
    if known is None:
        return NotRestorable(path, "it went from the share meanwhile", f"Choose anew: guard carry {arm} DEST")
    (proved,) = desk.prove([(known, 0)], progress)
    if proved.outcome == "unreadable":
        return ShareUnreadable(desk.settings.share, f"{path}: {proved.what}")
    if proved.outcome == "read-back":
        found = f"it was read differently once ({what}) and right the second time"
        return NotRestorable(
            path, found, "Look after the share, the network and this computer's memory, then try again"
        )
    found = f"it differs from what was read before ({what}), and a second read found it {proved.outcome}"
    return NotRestorable(path, found, f"Which set is the next: guard carry {arm} DEST")


def refuse_own_folders(desk: Desk, dest: str) -> None:
    """Refuse a place within the share, its copies or the state: a bag there would be taken for a set, or lost with them."""
    from guard.share.refusals import DestRefused

    settings = desk.settings
    ours = [("the share", settings.share), ("the state folder", settings.state)]
    ours += [(f"further copy {number}", path) for number, path in enumerate(settings.copies, 1)]
    for what, root in ours:
        if _lies_in(dest, root):
            raise DestRefused(dest, f"it lies in {what}", "Name a folder on the medium that goes to the machine.")


def _lies_in(path: str, root: str) -> bool:
    """Whether a path is a folder or lies below it, by whatever way either is reached."""
    where = os.path.realpath(path)
    try:
        wanted = os.stat(root)
    except OSError:
        return where == os.path.realpath(root)
    while True:
        try:
            if os.path.samestat(os.stat(where), wanted):
                return True
        except OSError:  # what is not there is nothing of ours, and its parents are looked at
            pass
        parent = os.path.dirname(where)
        if parent == where:
            return False
        where = parent


def _cargo(desk: Desk, chosen: RestingSet, arm: str) -> Cargo:
    from guard.share import bag
    from guard.share.cargo import Cargo

    settings, backup = desk.settings, chosen.set
    known = desk.catalogue.known(0, arm).get(backup.path)
    if known is None or known.fingerprint != backup.fingerprint:
        from guard.share.refusals import NotRestorable

        raise NotRestorable(backup.path, "it changed on the share meanwhile", f"Choose anew: guard carry {arm} DEST")
    files = desk.catalogue.manifest(known.id)
    zone, print_ = settings.zone(), backup.fingerprint or ""
    saved = chosen.captured_at.astimezone(zone).strftime("%Y-%m-%d_%H%M") if chosen.captured_at else "undated"
    elements = (
        ("Source-Organization", settings.plant),
        ("External-Identifier", backup.path),
        ("Bagging-Date", desk.now().astimezone(zone).date().isoformat()),
        ("Bag-Software-Agent", f"swap-guard {__version__}"),
        ("Arm", arm),
        ("Controller-Serial", settings.arms[arm].serial),
        ("Captured-At", utc(chosen.captured_at) or "not known"),
        (bag.FINGERPRINT, print_),
    )
    return Cargo(
        name=f"{arm}_{saved}_{print_[:12]}",
        where=f"{settings.share}/{backup.path}",
        form=backup.form,
        files=files,
        fingerprint=print_,
        info=bag.info(elements, files),
        zone=zone,
        archives=settings.archives,
    )


def _recorded(desk: Desk, chosen: RestingSet, arm: str, bag: Bag, cargo: Cargo) -> int:
    """The number of the entry that tells of this bag; what an earlier run recorded is not recorded twice."""
    where = os.path.abspath(bag.path)
    with desk.recording() as ledger:
        earlier = [
            number
            for number, told in ledger.numbered(KIND, arm)
            if told.get("bag") == where and told.get("fingerprint") == cargo.fingerprint
        ]
        if bag.was_there and earlier:
            return earlier[-1]
        body: dict[str, object] = {
            "set": chosen.set.path,
            "fingerprint": cargo.fingerprint,
            "captured_at": utc(chosen.captured_at),
            "bag": where,
            "medium": bag.medium.type,
            "files": len(cargo.files),
            "bytes": sum(file.size for file in cargo.files),
        }
        return ledger.append(desk.now(), KIND, arm, body)
