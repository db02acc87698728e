"""Drives the saboteur: act after act, each judged; now and then a calm in which all has to come right again."""

from __future__ import annotations

import traceback
from collections import Counter
from collections.abc import Callable
from contextlib import ExitStack
from pathlib import Path

from tests.faults.daemon import until
from tests.saboteur import on_share, on_state
from tests.saboteur.judge import Judge, Violated
from tests.saboteur.world import ARMS, World

ACTS = (*on_share.ACTS, *on_state.ACTS)
CALM_EVERY = 25
UNDO = 0.45
"""How likely it is that a trouble ends instead of something new being done, while there is one."""

LOG = 10_000
"""So much of the monitor's log is shown with what went wrong."""

Tell = Callable[[str], None]


def run(root: Path, acts: int, seed: int, tell: Tell) -> Counter[str]:
    """Act so often on a new plant below ``root``. Returns how often each act was done; raises Violated."""
    done: Counter[str] = Counter()
    number, what = 0, "the beginning"
    with ExitStack() as rest:
        world = World(root, seed, rest)
        judge = Judge(world)
        try:
            calm(world, judge)
            for number in range(1, acts + 1):
                name, what = act(world)
                done[name] += 1
                tell(f"{number:4} {name}: {what}")
                judge.check()
                if number % CALM_EVERY == 0 or number == acts:
                    what = "the calm"
                    calm(world, judge)
                    tell(f"     calm: {len(world.sets)} sets, {judge.last[0]} entries in the ledger")
            world.daemon.stop()
        except Exception as error:
            tell(f"{traceback.format_exc()}\n{world.daemon.log[-LOG:]}")
            raise Violated(f"seed {seed}, act {number} ({what}): {error}") from error
        finally:
            if world.daemon.process is not None:
                world.daemon.kill()
            while world.troubles:
                world.troubles.popitem()[1].undo()
    tell(f"answers: {dict(judge.counts)}")
    return done


def act(world: World) -> tuple[str, str]:
    """Do one thing that can be done now, or undo one. Returns its name and what was done."""
    possible = [each for each in ACTS if each.possible(world)]
    if world.troubles and (not possible or world.rng.random() < UNDO):
        return undo(world, world.rng.choice(sorted(world.troubles)))
    (chosen,) = world.rng.choices(possible, [each.weight for each in possible])
    return chosen.name, chosen.do(world)


def undo(world: World, name: str) -> tuple[str, str]:
    """End one trouble."""
    world.troubles.pop(name).undo()
    return "undo", f"{name} is over"


def calm(world: World, judge: Judge) -> None:
    """All troubles end and every arm is saved again: then every answer is clear, and every warning lifted."""
    while world.troubles:
        undo(world, min(world.troubles))
    if world.daemon.process is None:
        world.daemon.start()
    for arm in ARMS:
        on_share.save(world, arm)
    asked = world.guard("ask", "--all", "--json")

    def all_clear() -> bool:
        nonlocal asked
        asked = world.guard("ask", "--all", "--action", "power-down", "--json")
        return asked.code == 0

    try:
        until("every answer is clear", all_clear)
    except AssertionError as error:
        raise Violated(f"{error}: {asked}") from error
    judge.check()
    until("all is catalogued", judge.is_settled)
    judge.settled()
    until("every warning is lifted", lambda: not judge.raised())
