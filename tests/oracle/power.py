"""What comes of the mains: a swap window that runs, and power that must be on or off."""

from __future__ import annotations

import math
from collections.abc import Iterable
from datetime import datetime, timedelta

from tests.oracle.memory import Event
from tests.oracle.setting import Arm, HoldUp
from tests.oracle.standing import Found, Standing

MUST_STAY_ON = {
    "position-swap": ("power-down", "memory-swap"),
    "power-down": ("position-swap",),
    "memory-swap": ("position-swap",),
    "service-visit": (),
}
"""Explain, `power-must-stay-on`: "while a power-down or a change of the memory cell is planned"."""
CONTRADICTS = {
    "power-down": ("memory-swap", "service-visit"),
    "memory-swap": ("power-down",),
    "service-visit": ("power-down",),
    "position-swap": (),
}
"""Explain, `event-conflict`: "a visit or a change of the memory cell within a power-down"."""


def about_window(arm: Standing, at: datetime) -> Iterable[Found]:
    """Of a memory cell that is out."""
    if arm.is_out():
        out = max(at, arm.now) - arm.swaps()[-1].began
        limit = arm.swaps()[-1].limit
        code = "over" if out > limit else "closing" if out >= limit * arm.setting.closing else "open"
        yield Found(f"window-{code}", "hold")


def about_power(arm: Standing, action: str, at: datetime, off: timedelta) -> Iterable[Found]:
    """Whether the power is as the action needs it."""
    power = arm.power()
    if action == "position-swap" and power is not None and power[0] == "powered-off":
        yield Found("power-must-stay-on", "hold", f"{power}")
    if clashing := planned(arm, MUST_STAY_ON[action], at, off):
        yield Found("power-must-stay-on", "hold", str(clashing))
    if clashing := planned(arm, CONTRADICTS[action], at, off):
        yield Found("event-conflict", "caution", str(clashing))
    if action != "memory-swap" or arm.is_out():
        return
    for one in arm.memory.events:
        if one.kind == "power-down" and arm.arm.id in one.arms:
            is_over, is_charged = arm.has_come(at, one.end), arm.has_come(at, one.end + needed(arm))
            if is_over and not is_charged:
                yield Found("not-powered-long-enough", "caution")
    if power is None:
        off_at = arm.off_at()
        is_short = off_at is not None and not arm.has_come(at, off_at + needed(arm))
        is_short = is_short or needed(arm) > arm.setting.powered_before
        yield Found("not-powered-long-enough", "hold" if is_short else "caution", f"{len(arm.swaps())} {arm.changes()}")
    elif power[0] == "powered-off" or not arm.has_come(at, power[1] + needed(arm)):
        yield Found("not-powered-long-enough", "hold", f"{power}")


def limit(arm: Standing, at: datetime) -> timedelta:
    """Design 7: "the smaller of the configured limit and the derated hold-up", of a change that begins at a moment.

    Where it is not known for how long the controller was on, it is as long as is asked for, which is a caution.
    """
    if arm.arm.hold_up is None:
        return arm.setting.limit
    power, one = arm.power(), arm.arm.hold_up
    charged = at - power[1] if power and power[0] == "powered-on" else arm.setting.powered_before
    farad, ampere, least_v = _worst(arm.arm, one)
    volt = one.charged_v * (1 - math.exp(-charged.total_seconds() / one.time_constant_s)) - least_v
    return min(arm.setting.limit, timedelta(seconds=math.floor(max(farad * volt / ampere, 0))))


def needed(arm: Standing) -> timedelta:
    """For how long the controller must have been on before its memory cell is taken out.

    Explain: until its capacitor carries the memory for half of what it can; the limit of the window is enough.
    """
    one, least = arm.arm.hold_up, arm.setting.powered_before
    if one is None:
        return least
    farad, ampere, least_v = _worst(arm.arm, one)
    enough = min((one.charged_v - least_v) / 2, arm.setting.limit.total_seconds() * ampere / farad)
    charging = -one.time_constant_s * math.log(1 - (least_v + enough) / one.charged_v)
    return max(least, timedelta(seconds=charging))


def _worst(arm: Arm, one: HoldUp) -> tuple[float, float, float]:
    """The capacitance that is left, what discharges it, and down to which voltage it carries the memory.

    It loses a part to tolerance and age, and some of itself; what the memory draws grows with the temperature (cold
    is no gain, for it is derated) and is drawn through its series resistance.
    """
    drawn = one.current_ua * 2 ** (max(arm.ambient_c - 25, 0) / 10) / 1e6
    farad = one.capacitance_f * (1 - one.tolerance) * (1 - one.ageing)
    return farad, drawn + one.leakage_ua / 1e6, one.least_v + one.series_ohm * drawn


def planned(arm: Standing, kinds: tuple[str, ...], at: datetime, off: timedelta) -> list[Event]:
    """What of these kinds is planned on the arm for some of that time; no end belongs to its event."""
    here = [one for one in arm.memory.events if arm.arm.id in one.arms and one.kind in kinds]
    told = [(one, arm.after(at, one.start - off), arm.has_come(at, one.end)) for one in here]
    return [one for one, has_begun, is_over in told if has_begun and not is_over]
