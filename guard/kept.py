"""Keeps the settings of a configuration that was found right, for the next question.

Reading and checking the configuration of a thousand arms takes longer than answering a
question about one. So its settings are kept in the state folder together with the very text
that they came from, and serve again for exactly that text; any other is read and checked
anew. The file holds a checksum of the rest, a line about the whole, a row for each arm,
and the texts.
"""

from __future__ import annotations

import json
import os
import zlib
from collections.abc import Iterator, Mapping
from datetime import date, timedelta
from itertools import accumulate, pairwise

from guard import __version__
from guard.files import write_whole
from guard.model import Limits
from guard.plant import (
    ArchiveLimits,
    Arm,
    CalendarRule,
    Cell,
    CellType,
    Checks,
    Costs,
    HoldUp,
    Identity,
    LossLimits,
    PartRule,
    Recipe,
)
from guard.settings import Calendar, Keep, Mail, Notify, Reports, Service, Settings, Warnings

TYPE_CHECKING = False

if TYPE_CHECKING:
    from typing import Any

KEPT_NAME = "settings.kept"

LARGEST_BYTES = 2 << 20
"""Of a configuration that is read at all; that of a thousand arms has a fifth of it."""

HINT_BYTES = 4096
"""The plant's table stands at the top, as a rule."""


def find(path: str, text: bytes) -> Settings | None:
    """The settings kept for the configuration at ``path`` with this text; None where none are kept."""
    folder = os.path.join(os.path.dirname(path), _state_hint(text))
    try:
        with open(os.path.join(folder, KEPT_NAME), "rb") as file:
            kept = file.read()  # of which nothing large is copied again: that would take longer than to read it
        head = kept.index(b"\n") + 1
        if int(kept[:head], 16) != zlib.crc32(memoryview(kept)[head:]):
            return None
        start = kept.index(b"\n", head) + 1
        about = json.loads(kept[head:start])
        if (about["version"], about["config"]) != (__version__, path):
            return None
        ends = list(accumulate(about["rows"], initial=start))
        texts = [text, *map(_content, about["more"])]
        if about["sizes"] != list(map(len, texts)) or not _ends_with(kept, ends[-1], texts):
            return None
        return _thawed(about["settings"], _Arms(kept, dict(zip(about["ids"], pairwise(ends), strict=True))))
    except (OSError, ValueError, KeyError, TypeError, IndexError):
        return None  # it is only a copy: wherever anything is amiss, the text is read anew


def _state_hint(text: bytes) -> str:
    """Where the state folder is named, as a rule. It is only a guess where to look: the texts decide."""
    for line in text[:HINT_BYTES].splitlines():
        key, _, value = line.partition(b"=")
        quote = value.strip()[:1]
        if key.strip() == b"state" and quote in (b'"', b"'"):
            return os.fsdecode(value.split(quote)[1])
    return "state"


def keep(settings: Settings, sources: dict[str, bytes]) -> None:
    """Keep settings with the texts of the files they came from, the configuration's own first.

    Where the state folder does not allow it, the next question takes longer, and that is all.
    """
    if not os.path.isdir(settings.state):
        return
    rows = [json.dumps(_frozen(arm)).encode() for arm in settings.arms.values()]
    about = {
        "version": __version__,
        "config": settings.file,
        "more": [source for source in sources if source != settings.file],
        "ids": list(settings.arms),
        "sizes": [len(text) for text in sources.values()],
        "rows": list(map(len, rows)),
        "settings": _frozen(settings._replace(arms={})),
    }
    try:
        content = json.dumps(about).encode() + b"\n" + b"".join([*rows, *sources.values()])
        write_whole(os.path.join(settings.state, KEPT_NAME), b"%08x\n" % zlib.crc32(content) + content)
    except OSError:
        return


def _ends_with(kept: bytes, start: int, texts: list[bytes]) -> bool:
    """Whether the kept copy has these texts from there on, and nothing more."""
    for text in texts:
        if not kept.startswith(text, start):
            return False
        start += len(text)
    return start == len(kept)


def _content(path: str) -> bytes:
    with open(path, "rb") as file:
        return file.read()


class _Arms(Mapping[str, Arm]):
    """The arms by id; each is read when it is asked for, since most questions are about one."""

    def __init__(self, kept: bytes, rows: dict[str, tuple[int, int]]) -> None:
        self._kept, self._rows = kept, rows
        self._read: dict[str, Arm] = {}

    def __getitem__(self, arm: str) -> Arm:
        if arm not in self._read:
            self._read[arm] = self._arm(*self._rows[arm])
        return self._read[arm]

    def _arm(self, start: int, end: int) -> Arm:
        row = Arm(*json.loads(self._kept[start:end]))
        held = tuple(Cell(kind, installed and _date(installed)) for kind, installed in row.cells)
        return row._replace(cells=held, hold_up=row.hold_up and HoldUp(*row.hold_up), costs=Costs(*row.costs))

    def __contains__(self, arm: object) -> bool:
        return arm in self._rows

    def __iter__(self) -> Iterator[str]:
        return iter(self._rows)

    def __len__(self) -> int:
        return len(self._rows)


def _date(text: Any) -> date:
    return date.fromisoformat(text)


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


def _thawed(raw: list[Any], arms: Mapping[str, Arm]) -> Settings:
    fields: dict[str, Any] = dict(zip(Settings._fields, raw, strict=False))
    fresh, read_back, restore_test, needed, unseen, apart, shrink, window, closing, powered, loss, never = fields[
        "limits"
    ]
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
        window=_span(window),
        closing_permille=closing,
        powered_before=_span(powered),
        loss=LossLimits(*loss),
        never_signed=tuple((action, code) for action, code in never),
    )
    fields["archives"] = ArchiveLimits(*fields["archives"])
    all_for, daily, weekly, monthly, yearly, at_least, grace, copies = fields["keep"]
    fields["keep"] = Keep(_span(all_for), daily, weekly, monthly, yearly, at_least, _span(grace), copies)
    reconcile, poll, nightly, budget = fields["service"]
    fields["service"] = Service(_span(reconcile), _span(poll), nightly, budget)
    fields["reports"] = Reports(fields["reports"][0], _span(fields["reports"][1]))
    lead_times, repeat, on_share = fields["warnings"]
    fields["warnings"] = Warnings(tuple(map(_span, lead_times)), _span(repeat), on_share)
    mail, webhook, apprise_file = fields["notify"]
    fields["notify"] = Notify(mail and Mail(*mail)._replace(to=tuple(mail[3])), webhook, apprise_file)
    watched, horizon, most, largest, rules = fields["calendar"]
    fields["calendar"] = Calendar(
        tuple(watched),
        _span(horizon),
        most,
        largest,
        tuple(CalendarRule(*rule)._replace(arms=tuple(rule[4])) for rule in rules),
    )
    fields["recipes"] = {name: _thawed_recipe(recipe) for name, recipe in fields["recipes"].items()}
    fields["cell_types"] = {
        name: CellType(row[0], row[1], _span(row[2]), *row[3:])._replace(shelf_life=row[-1] and _span(row[-1]))
        for name, row in fields["cell_types"].items()
    }
    fields["arms"] = arms
    return Settings(**fields)


def _thawed_recipe(raw: list[Any]) -> Recipe:
    name, parts, volatile, identity, held = raw
    return Recipe(
        name,
        tuple(PartRule(part, tuple(files), least, _thawed_checks(checks)) for part, files, least, checks in parts),
        tuple(volatile),
        None if identity is None else Identity(*identity),
        held and HoldUp(*held),
    )


def _thawed_checks(raw: list[Any]) -> Checks:
    checks = Checks(*raw)
    start = checks.starts_with
    return checks if start is None else checks._replace(starts_with=bytes.fromhex(str(start)))
