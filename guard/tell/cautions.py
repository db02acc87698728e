"""The cautions that stand on every screen, sheet and report that leads to work at the machine."""

from __future__ import annotations

CAUTIONS = (
    (
        "Before work at the machine: lockout/tagout by authorised people (OSHA 29 CFR 1910.147 or the local"
        " rule); stored energy and gravity-loaded axes made safe, and that verified."
    ),
    (
        "The machine maker's manual, local codes and licensed practice come first. This is advice about an"
        " arm's memory and no safety function."
    ),
)
