"""What comes of the mains: a swap window that runs, a memory that awaits proof, power that must be on or off."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime

from tests.oracle.standing import Found, Standing


def about_swap(arm: Standing, action: str, at: datetime) -> Iterable[Found]:
    """Of a memory cell that is out or was out, and of power that was away."""
    mine = arm.swaps()
    if arm.is_out():
        swap = mine[-1]
        out = max(at, arm.now) - swap.began
        limit = arm.setting.limit
        code = "over" if out > limit else "closing" if out >= limit * arm.setting.closing else "open"
        yield Found(f"window-{code}", "hold")
        return
    ends = [swap.ended for swap in mine if swap.ended]
    power = arm.power()
    if power and power[0] == "powered-on" and arm.marks("powered-off"):
        ends.append(power[1])  # explain awaiting-proof: "or a power-down was marked"
    away = power is not None and power[0] == "powered-off"
    if away or (ends and (arm.carrier is None or arm.captured(arm.carrier) <= max(ends))):
        held = action in ("power-down", "memory-swap")
        yield Found("awaiting-proof", "hold" if held else "caution")


def about_power(arm: Standing, action: str, at: datetime) -> Iterable[Found]:
    """Whether the power is as the action needs it."""
    power = arm.power()
    if action == "position-swap" and power and power[0] == "powered-off":
        yield Found("power-must-stay-on", "hold")
    if action != "memory-swap" or arm.is_out():
        return
    if power is None:
        yield Found("not-powered-long-enough", "caution")
    elif power[0] == "powered-off" or not arm.has_come(at, power[1] + arm.setting.powered_before):
        yield Found("not-powered-long-enough", "hold")
