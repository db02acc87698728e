"""The keys of every table of a configuration: how each value is read, and what stands where it is left out."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from guard.config_values import (
    any_of,
    arm_id,
    cells,
    day,
    encoding,
    flag,
    fraction,
    glob_list,
    host_and_port,
    layout_list,
    leading_bytes,
    mail_address,
    mail_addresses,
    mapping,
    never_signed,
    number,
    path_within,
    pattern,
    positive,
    presence_address,
    size_of,
    some_globs,
    some_span,
    span_list,
    span_of,
    span_or_off,
    tables,
    text,
    text_list,
    time_of_day,
    up_to_half,
    web_address,
    whole,
    zero_or_more,
    zone_name,
)
from guard.model import ACTIONS, NEVER_SIGNED
from guard.plant import Arm, CellType, Costs, HoldUp, LossLimits
from guard.record import Record

REQUIRED = object()
"""Stands for the default of a key that has none."""


class Key(Record):
    """One key of a table: how its value is read, and what stands where it is left out (already read)."""

    read: Callable[[Any], Any]
    default: Any = REQUIRED


# What the types themselves say stands where it is left out is not written here again.
_ARM, _CELL_TYPE = Arm._field_defaults, CellType._field_defaults
_COSTS, _LOSS, _HOLD_UP = Costs._field_defaults, LossLimits._field_defaults, HoldUp._field_defaults

PLANT = {"name": Key(text), "timezone": Key(zone_name), "state": Key(text, "state")}
SHARE = {
    "path": Key(text),
    "layout": Key(layout_list, ("{arm}/{taken:%Y-%m-%d_%H%M}",)),
    "settle": Key(span_of, span_of("2m")),
    "watch": Key(any_of("auto", "events", "poll"), "auto"),
    "copies": Key(text_list, ()),
    "copies-needed": Key(whole, 0),
    "unseen-after": Key(span_of, span_of("26h")),
}
FRESH = {
    "power-down": Key(span_of, span_of("7d")),
    "memory-swap": Key(span_of, span_of("24h")),
    "position-swap": Key(span_of, span_of("7d")),
    "service-visit": Key(span_of, span_of("24h")),
}
PROOF = {
    "read-back-within": Key(span_of, span_of("30d")),
    "restore-test-within": Key(span_or_off, span_of("400d")),
}
LIMITS = {
    "parts-apart": Key(span_of, span_of("24h")),
    "shrink": Key(fraction, 0.3),
    "archive-members": Key(whole, 200_000),
    "archive-content": Key(size_of, size_of("64 GiB")),
    "archive-expansion": Key(whole, 200),
}
WINDOW = {
    "limit": Key(span_of, span_of("30m")),
    "closing": Key(fraction, 0.7),
    "powered-before": Key(span_of, span_of("30m")),
}
SIGN_OFF = {"never": Key(never_signed, NEVER_SIGNED)}
COSTS = {
    "restore-hours": Key(zero_or_more, _COSTS["restore_h"]),
    "edit-hours": Key(zero_or_more, _COSTS["edit_h"]),
    "rebuild-hours": Key(zero_or_more, _COSTS["rebuild_h"]),
    "reteach-hours": Key(zero_or_more, _COSTS["reteach_h"]),
}
LOSS = {
    "charge-caution": Key(fraction, _LOSS["charge_caution"]),
    "charge-hold": Key(fraction, _LOSS["charge_hold"]),
    "loss-caution": Key(up_to_half, _LOSS["loss_caution"]),
    "loss-hold": Key(up_to_half, _LOSS["loss_hold"]),
    "failures-per-year": Key(zero_or_more, _LOSS["failures_per_year"]),
    **COSTS,
}
KEEP = {
    "all-for": Key(span_of, span_of("14d")),
    "daily": Key(whole, 14),
    "weekly": Key(whole, 8),
    "monthly": Key(whole, 12),
    "yearly": Key(whole, 5),
    "at-least": Key(whole, 3),
    "grace": Key(span_of, span_of("30d")),
    "copies": Key(any_of("leave", "same"), "leave"),
}
SERVICE = {
    "reconcile": Key(some_span, span_of("15m")),
    "poll": Key(some_span, span_of("1m")),
    "nightly": Key(time_of_day, time_of_day("01:00")),
    "read-back-budget": Key(size_of, size_of("500 GiB")),
}
REPORT = {"at": Key(time_of_day, time_of_day("05:30")), "keep": Key(some_span, span_of("400d"))}
WARNINGS = {
    "lead-times": Key(span_list, (span_of("7d"), span_of("48h"), span_of("4h"))),
    "repeat": Key(some_span, span_of("24h")),
    "sheets-on-share": Key(flag, False),  # noqa: FBT003
}
VISIT = {"steps": Key(text, "")}
NOTIFY = {"mail": Key(mapping, None), "webhook": Key(web_address, ""), "apprise-file": Key(text, "")}
MAIL = {
    "server": Key(host_and_port),
    "from": Key(mail_address),
    "to": Key(mail_addresses),
    "tls": Key(any_of("starttls", "tls", "none"), "starttls"),
    "user": Key(text, ""),
    "password-file": Key(text, ""),
}
CALENDAR = {
    "watch": Key(text_list, ()),
    "horizon": Key(some_span, span_of("400d")),
    "most": Key(whole, 5_000),
    "largest": Key(size_of, size_of("100 MB")),
    "rules": Key(tables, ()),
}
CALENDAR_RULE = {
    "categories": Key(pattern, None),
    "summary": Key(pattern, None),
    "location": Key(pattern, None),
    "kind": Key(any_of(*ACTIONS, "none"), None),
    "arms": Key(text_list, ()),
}
RECIPE = {
    "volatile": Key(glob_list, ()),
    "identity": Key(mapping, None),
    "parts": Key(mapping),
    "hold-up": Key(mapping, None),
    "loss": Key(mapping, {}),
}
IDENTITY = {"file": Key(path_within), "pattern": Key(text)}
PART = {"files": Key(some_globs), "at-least": Key(whole, 1), "checks": Key(mapping, {})}
CHECKS = {
    "min-size": Key(size_of, None),
    "max-size": Key(size_of, None),
    "not-blank": Key(flag, False),  # noqa: FBT003
    "starts-with": Key(leading_bytes, None),
    "text": Key(encoding, None),
}
CELL_TYPE = {
    "kind": Key(any_of("memory", "position")),
    "interval": Key(span_of),
    "capacity-mah": Key(positive, None),
    "usable": Key(fraction, _CELL_TYPE["usable"]),
    "self-discharge-per-year": Key(fraction, _CELL_TYPE["self_discharge_per_year"]),
    "standby-ua": Key(positive, None),
    "standby-doubles-every-c": Key(positive, _CELL_TYPE["standby_doubles_every_c"]),
    "ageing-ev": Key(positive, _CELL_TYPE["ageing_ev"]),
    "shelf-life": Key(some_span, None),
    "spread": Key(mapping, {}),
}
SPREAD = {
    "capacity": Key(fraction, _CELL_TYPE["spread_capacity"]),
    "standby": Key(fraction, _CELL_TYPE["spread_standby"]),
    "self-discharge": Key(fraction, _CELL_TYPE["spread_self_discharge"]),
}
ARM = {
    "id": Key(arm_id),
    "name": Key(text, ""),
    "area": Key(text, ""),
    "serial": Key(text, ""),
    "recipe": Key(text, "standard"),
    "cells": Key(cells, ()),
    "powered-fraction": Key(fraction, _ARM["powered_fraction"]),
    "ambient-c": Key(number, _ARM["ambient_c"]),
    "presence": Key(presence_address, ""),
    "hold-up": Key(mapping, None),
    "loss": Key(mapping, {}),
}
CELL = {"type": Key(text), "installed": Key(day, None)}
HOLD_UP = {
    "capacitance-f": Key(positive),
    "charged-v": Key(positive),
    "least-v": Key(positive),
    "time-constant-s": Key(positive, None),
    "resistance-ohm": Key(positive, None),
    "current-ua": Key(positive),
    "leakage-ua": Key(zero_or_more),
    "doubles-every-c": Key(positive, _HOLD_UP["doubles_every_c"]),
    "series-resistance-ohm": Key(zero_or_more, _HOLD_UP["series_resistance_ohm"]),
    "tolerance": Key(fraction, _HOLD_UP["tolerance"]),
    "ageing": Key(fraction, _HOLD_UP["ageing"]),
}
NO_COLUMN = ("hold-up", "loss")
"""Keys of an arm that a row of the arms file has no place for: they are tables."""

TOP = [
    *(
        "plant",
        "share",
        "fresh",
        "proof",
        "limits",
        "window",
        "loss",
        "sign-off",
        "keep",
        "service",
        "report",
        "warnings",
        "visit",
        "notify",
        "calendar",
    ),
    *("recipes", "cell-types", "arms", "arms-file"),
]

DEFAULT_RECIPES: dict[str, Any] = {
    "standard": {
        "volatile": ["history/**"],
        "parts": {
            "programs": {"files": ["programs/**"]},
            "axis-zero": {
                "files": ["axis-zero.csv"],
                "checks": {"min-size": "16 B", "text": "utf-8", "not-blank": True},
            },
            "image": {"files": ["memory.bin"], "checks": {"min-size": "64 KiB", "not-blank": True}},
        },
    }
}
DEFAULT_CELL_TYPES: dict[str, Any] = {
    "memory-cell": {"kind": "memory", "interval": "4y", "capacity-mah": 1000, "standby-ua": 20.0},
    "position-cell": {"kind": "position", "interval": "1y"},
}
