"""Which planned event does a person mean, by its id or its title? Pure."""

from __future__ import annotations

import re
from collections.abc import Sequence
from datetime import datetime, tzinfo

from guard.errors import UnknownEvent
from guard.model import PlannedEvent
from guard.plan.refusals import AmbiguousEvent, EventBegun


def meant(asked: str, events: Sequence[PlannedEvent], now: datetime, zone: tzinfo) -> PlannedEvent:
    """The event that is still to come and has this id or title, or whose title alone has these words in it.

    Upper and lower case are the same. Raises UnknownEvent, AmbiguousEvent and EventBegun.
    """
    words = _words(asked)
    by_id = [each for each in events if each.id == asked.strip().lower()]
    by_title = [each for each in events if each.title and words and _words(each.title) == words]
    by_part = [each for each in events if words and re.search(rf"\b{re.escape(words)}\b", _words(each.title))]
    for found in (by_id, by_title, by_part):
        coming = [each for each in found if each.start > now]
        if len(coming) == 1:
            return coming[0]
        if coming:
            raise AmbiguousEvent(asked, coming, zone)
        if found:
            raise EventBegun(found[-1], now, zone)
    raise UnknownEvent(asked)


def _words(text: str) -> str:
    return " ".join(text.casefold().split())
