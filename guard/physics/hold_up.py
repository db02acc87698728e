"""For how long a capacitor carries a controller's memory while its cell is out. Pure.

It is taken to be empty when the mains come on, is charged through a resistance while they are on,
and then gives a constant current down to the least voltage that keeps the memory:

    V(t)  = V0·(1 - exp(-t/τ)),  τ = R·C         charging, from empty
    t     = C·(V - I·ESR - Vmin) / (I + I_leak)  hold-up, from C·dV/dt = -I

Both follow from the definition of capacitance; "Gold Capacitors Technical Guide", p. 37, and the
ISL1208 data sheet, FN8085.8 (2008), p. 21, compute back-up times in this way. Everything that a
capacitor of these figures may differ by is taken from its worse side: see the single functions.
Nothing here raises: what cannot be computed gives no time.
"""

from __future__ import annotations

import math

from guard.plant import HoldUp

REFERENCE_C = 25.0
"""The temperature at which data sheets tell currents."""

AMPERES_PER_UA = 1e-6


def charged_fraction(on_s: float, time_constant_s: float) -> float:
    """How far an empty capacitor is charged after ``on_s`` seconds, from 0 to 1."""
    if not on_s > 0:
        return 0.0
    return -math.expm1(-on_s / time_constant_s) if time_constant_s > 0 else 1.0


def capacitance_left_f(held: HoldUp) -> float:
    """What the capacitor holds at worst: small within its tolerance when new, and aged since.

    Its time constant stays that of the whole capacitance: a smaller one would be charged sooner.
    """
    return held.capacitance_f * (1 - held.tolerance) * (1 - held.ageing)


def load_a(held: HoldUp, ambient_c: float) -> float:
    """The memory's current, which doubles every so many degrees (common practice, no source: 10).

    What a cold place would save is not counted: a controller is warm when it is switched off,
    and a cold capacitor holds less (common practice, no source).
    """
    warmer_c = max(ambient_c - REFERENCE_C, 0.0)
    try:
        return held.current_ua * AMPERES_PER_UA * 2 ** (warmer_c / held.doubles_every_c)
    except (OverflowError, ZeroDivisionError):
        return math.inf


def hold_up_s(held: HoldUp, on_s: float, ambient_c: float) -> float:
    """For how many seconds the memory is carried after the mains were on for ``on_s``; infinite where nothing is drawn."""
    load = load_a(held, ambient_c)
    start_v = held.charged_v * charged_fraction(on_s, held.time_constant_s)
    usable_v = start_v - load * held.series_resistance_ohm - held.least_v
    lasts = capacitance_left_f(held) * usable_v
    draw = load + held.leakage_ua * AMPERES_PER_UA
    if not lasts > 0 or math.isinf(draw):
        return 0.0
    return lasts / draw if draw > 0 else math.inf


def charging_s(held: HoldUp, lasts_s: float, ambient_c: float) -> float:
    """For how many seconds the mains must be on, so that the memory is then carried for ``lasts_s``.

    The inverse of ``hold_up_s``. Infinite where even the fully charged capacitor does not carry it for so long.
    """
    load, capacitance = load_a(held, ambient_c), capacitance_left_f(held)
    if not capacitance > 0 or not held.charged_v > 0 or math.isinf(load):
        return math.inf
    drop_v = (load + held.leakage_ua * AMPERES_PER_UA) * lasts_s / capacitance
    missing = 1 - (held.least_v + load * held.series_resistance_ohm + drop_v) / held.charged_v
    if not missing > 0:
        return math.inf
    on_s = -held.time_constant_s * math.log(missing) if missing < 1 else 0.0
    return math.inf if math.isnan(on_s) else max(on_s, 0.0)
