"""Begins: the configuration of a share that nobody described yet, the share's marker, the first databases."""

from __future__ import annotations

import os

from guard import clock
from guard.desk import Desk
from guard.errors import ShareUnreadable, StateUnusable, WouldOverwrite
from guard.files import write_whole
from guard.load import load
from guard.share.marker import MARKER_NAME, NO_IDENTITY, marker_state, read_marker, write_marker
from guard.store.known import Place

LOST_WITHOUT_MARKER = (
    "Without a marker another share mounted in this place, or an empty folder, would be taken for this one;"
    " every verdict stays at caution (share-doubt) until the share has one."
)


def begin(folder: str, share: str, *, adopt: bool = False) -> list[str]:
    """Write what is missing of configuration and marker; returns what was done, in sentences.

    A guard.toml that is already there stays as it is. Raises ShareUnreadable where the share
    is not there, and WouldOverwrite where it is another share than before and ``adopt`` does
    not say that it is meant.
    """
    if not os.path.isdir(share):
        raise ShareUnreadable(share, "it is not there, or no folder")
    told = [_configuration(folder, share)]
    settings = load(os.path.join(folder, "guard.toml"))
    desk = Desk(settings)
    places = [os.path.realpath(root) for root in (settings.share, *settings.copies)]
    told.append(f"The state folder is {settings.state}; its ledger has {desk.check().entries} entries.")
    if os.path.realpath(share) not in places:
        told.append(f"Mind that guard.toml names another share: {settings.share}. The marker goes to {share}.")
        has_marker = read_marker(share) is not None
        return [*told, "That share has a marker already." if has_marker else _marker(share, None)]
    number = places.index(os.path.realpath(share))
    before, identity = desk.catalogue.place(number), read_marker(share)
    state = marker_state(before.identity, identity)
    if state in ("gone", "other") and not adopt:
        raise WouldOverwrite(
            os.path.join(share, MARKER_NAME) if state == "other" else share,
            "It is not the share that the catalogue knows. Mount the right one, or say with --adopt that"
            " this one is meant from now on.",
        )
    if state in ("gone", "other"):  # without its marker, too, what stands there may be a copy on another disk
        _forget_what_was_read(desk, number)
        if identity in (None, NO_IDENTITY):
            told.append(_marker(share, before.identity if identity is None else None))
        told.append("This share is taken for the right one from now on; what is on it has to be read back anew.")
    elif identity is None:
        told.append(_marker(share, None))
    else:
        told.append("The share has its marker already.")
    now = read_marker(share)
    if now is not None and now != before.identity:
        desk.catalogue.note_place(
            number, share, Place(now, before.seen_at), "adopted" if state == "other" else "identified", clock.now()
        )
    return [*told, "Next: guard look, then guard prove --due, then guard fleet."]


def _forget_what_was_read(desk: Desk, number: int) -> None:
    """Count nothing in a place for proven by what was read elsewhere. A further copy is proven by its first read already."""
    if number == 0:
        desk.catalogue.begin_proofs_anew(number)
    else:
        desk.catalogue.depart(desk.catalogue.known(number).values(), clock.now())


def _configuration(folder: str, share: str) -> str:
    path = os.path.join(folder, "guard.toml")
    if os.path.lexists(path):
        return f"{path} is there already and stays as it is."
    from guard.survey.proposal import proposal
    from guard.survey.survey import survey

    text = proposal(survey(share), _path_from(folder, share))
    try:
        os.makedirs(folder, exist_ok=True)
        write_whole(path, text.encode())
    except OSError as error:
        raise StateUnusable(
            path, error.strerror or str(error), "Name a folder that can be written: guard init DIR --share PATH"
        ) from error
    return (
        f"Wrote {path}. Read it through before the first look: what is doubtful in it is marked with a comment. Put right"
        " above all the time zone, by which the names of the sets tell their times, and each arm's cells."
    )


def _path_from(folder: str, share: str) -> str:
    """The share's path relative to the configuration, or absolute where there is no such way."""
    try:
        return os.path.relpath(share, folder)
    except ValueError:
        return os.path.abspath(share)


def _marker(share: str, identity: str | None) -> str:
    try:
        write_marker(share, identity)
    except OSError as error:
        return f"The share's marker could not be written ({error.strerror}). {LOST_WITHOUT_MARKER}"
    return "Wrote the share's marker, by which it is known again."
