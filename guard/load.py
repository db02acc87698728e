"""Loads the settings of a configuration file, and keeps them for the next question.

Reading and checking the configuration of a thousand arms costs more than answering a
question about one. So the settings of a text that was found right are kept in the state
folder under the digest of exactly that text; any other text is read and checked anew.
"""

from __future__ import annotations

import hashlib
import json
import os
import re
from collections.abc import Iterator, Mapping
from datetime import date, timedelta
from typing import Any

from guard import __version__
from guard.errors import ConfigMissing
from guard.files import write_whole
from guard.model import ArchiveLimits, Arm, Cell, Checks, Identity, Limits, PartRule, Recipe
from guard.settings import CellType, Keep, Settings, Window


def load(path: str) -> Settings:
    """The settings of a configuration file.

    Raises ConfigMissing where there is none and ConfigFaults where it is wrong.
    """
    path = os.path.abspath(path)
    text = read_configuration(path)
    kept = _kept(path, text)
    if kept is not None:
        return kept
    from guard.config import parse

    settings, sources = parse(path, text)
    _keep(settings, sources)
    return settings


def read_configuration(path: str) -> bytes:
    """The bytes of a configuration file. Raises ConfigMissing."""
    try:
        with open(path, "rb") as file:
            return file.read()
    except OSError as error:
        raise ConfigMissing(path) from error


# Keeping and finding again. What is kept is a copy: wherever anything is amiss, it is not used.

_STATE_HINT = re.compile(rb'^[ \t]*state[ \t]*=[ \t]*["\']([^"\'\\]*)["\']', re.MULTILINE)
_KEPT_NAME = "settings.json"


def _digest(path: str, text: bytes) -> str:
    return hashlib.sha256(b"\0".join((__version__.encode(), os.fsencode(path), text))).hexdigest()


def _kept(path: str, text: bytes) -> Settings | None:
    """The settings kept for this text. Where they are kept is a guess; that they fit is proven by digests."""
    hint = _STATE_HINT.search(text)
    folder = os.path.join(os.path.dirname(path), os.fsdecode(hint[1]) if hint else "state")
    try:
        with open(os.path.join(folder, _KEPT_NAME), "rb") as file:
            kept = json.loads(file.read())
        if kept["digest"] != _digest(path, text):
            return None
        for source, digest in kept["sources"].items():
            if digest != _digest(source, read_configuration(source)):
                return None
        return _thawed(kept["settings"])
    except (OSError, ValueError, KeyError, TypeError, IndexError, ConfigMissing):
        return None


def _keep(settings: Settings, sources: dict[str, bytes]) -> None:
    """Keep the settings for the next question; where the state folder does not allow it, go without."""
    own = sources.pop(settings.file)
    kept = {
        "digest": _digest(settings.file, own),
        "sources": {source: _digest(source, text) for source, text in sources.items()},
        "settings": _frozen(settings),
    }
    if os.path.isdir(settings.state):
        try:
            write_whole(os.path.join(settings.state, _KEPT_NAME), json.dumps(kept).encode())
        except OSError:
            return  # a copy that cannot be kept costs time and nothing else


def _frozen(value: Any) -> Any:
    """A value of the settings as JSON: spans as microseconds, dates as text, bytes as hex."""
    if isinstance(value, timedelta):
        return value // timedelta(microseconds=1)
    if isinstance(value, date):
        return value.isoformat()
    if isinstance(value, bytes):
        return value.hex()
    if isinstance(value, Mapping):
        return {key: _frozen(item) for key, item in value.items()}
    if isinstance(value, tuple):
        return [_frozen(item) for item in value]
    return value


def _span(microseconds: int) -> timedelta:
    return timedelta(microseconds=microseconds)


def _thawed(raw: list[Any]) -> Settings:
    fields = dict(zip(Settings._fields, raw, strict=True))
    fresh, read_back, restore_test, needed, unseen, apart, shrink = fields["limits"]
    fields["layouts"] = tuple(fields["layouts"])
    fields["copies"] = tuple(fields["copies"])
    fields["settle"] = _span(fields["settle"])
    fields["limits"] = Limits(
        fresh=tuple((action, _span(span)) for action, span in fresh),
        read_back_within=_span(read_back),
        restore_test_within=None if restore_test is None else _span(restore_test),
        copies_needed=needed,
        unseen_after=_span(unseen),
        parts_apart=_span(apart),
        shrink_permille=shrink,
    )
    fields["archives"] = ArchiveLimits(*fields["archives"])
    limit, closing, powered_before = fields["window"]
    fields["window"] = Window(_span(limit), closing, _span(powered_before))
    all_for, daily, weekly, monthly, yearly, at_least, grace = fields["keep"]
    fields["keep"] = Keep(_span(all_for), daily, weekly, monthly, yearly, at_least, _span(grace))
    fields["recipes"] = {name: _thawed_recipe(recipe) for name, recipe in fields["recipes"].items()}
    fields["cell_types"] = {
        name: CellType(row[0], row[1], _span(row[2]), *row[3:]) for name, row in fields["cell_types"].items()
    }
    fields["arms"] = Arms(fields["arms"])
    return Settings(**fields)


def _thawed_recipe(raw: list[Any]) -> Recipe:
    name, parts, volatile, identity = raw
    return Recipe(
        name,
        tuple(PartRule(part, tuple(files), least, _thawed_checks(checks)) for part, files, least, checks in parts),
        tuple(volatile),
        None if identity is None else Identity(*identity),
    )


def _thawed_checks(raw: list[Any]) -> Checks:
    checks = Checks(*raw)
    start = checks.starts_with
    return checks if start is None else checks._replace(starts_with=bytes.fromhex(str(start)))


class Arms(Mapping[str, Arm]):
    """The arms by id; each is made when it is asked for, since most questions are about one."""

    def __init__(self, raw: dict[str, list[Any]]) -> None:
        self._raw = raw

    def __getitem__(self, arm: str) -> Arm:
        fields = list(self._raw[arm])
        place = Arm._fields.index("cells")
        fields[place] = tuple(
            Cell(kind, installed and date.fromisoformat(installed)) for kind, installed in fields[place]
        )
        return Arm(*fields)

    def __iter__(self) -> Iterator[str]:
        return iter(self._raw)

    def __len__(self) -> int:
        return len(self._raw)
