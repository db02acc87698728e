"""What the saboteur does to processes, to the state folder, to the configuration and to the clock."""

from __future__ import annotations

import os
import signal
import sqlite3
import subprocess
import sys
from datetime import datetime, timedelta
from pathlib import Path
from threading import Event

from guard.clock import now
from tests.saboteur.world import ARMS, Act, Trouble, World, database

DATABASES = ("catalogue.db", "ledger.db")


# Processes


def kill_monitor(world: World) -> str:
    """The monitor is killed, and another begins; or is begun where none runs."""
    if world.daemon.process is None:
        world.daemon.start()
        return "started the monitor"
    world.daemon.kill()
    if world.rng.random() < 0.4 or not world.state_is_there():
        return "killed the monitor"
    world.daemon.start()
    return "killed the monitor and started another"


def kill_command(world: World) -> str:
    """A command is killed in the middle."""
    words = world.rng.choice(COMMANDS)(world)
    after = world.rng.uniform(0.05, 0.4)
    process = begin(world, *words)
    Event().wait(after)
    process.send_signal(signal.SIGKILL)
    process.communicate()
    return f"killed `guard {' '.join(words)}` after {after:.2f} s"


def two_at_once(world: World) -> str:
    """Two commands run at once; what a mark said was recorded is there afterwards."""
    both = [world.rng.choice(COMMANDS)(world) for _ in range(2)]
    running = [begin(world, *words) for words in both]
    for words, process in zip(both, running, strict=True):
        _, told = process.communicate(timeout=60)
        may = (0, 10, 20, 30) if world.share_is_there() else (0, 1, 10, 20, 30)
        if b"Traceback" in told or process.returncode not in may:
            raise AssertionError(f"`guard {' '.join(words)}`: exit {process.returncode}, {told.decode()}")
        if words[0] == "mark":
            world.marks.add(words[words.index("--by") + 1])
    return f"ran {' and '.join('`guard ' + ' '.join(words) + '`' for words in both)} at once"


def begin(world: World, *words: str) -> subprocess.Popen[bytes]:
    """Start a command in a process of its own."""
    return subprocess.Popen(
        (*world.before, sys.executable, "-m", "guard", *words),
        cwd=world.plant.root,
        env={**os.environ, "GUARD_CONFIG": str(world.plant.config), **getattr(world.plant, "env", {})},
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
    )


def _note(world: World) -> list[str]:
    """A mark that lifts and blocks nothing, by a name of its own."""
    arm, name = world.rng.choice(ARMS), f"Kim {world.rng.getrandbits(32):08x}"
    return ["mark", "powered-on", arm, "--at", "2026-01-01 00:00", "--by", name]


COMMANDS = (
    lambda _: ["look", "--wait", "0s"],
    lambda world: ["look", "--wait", "0s", "--arm", world.rng.choice(ARMS)],
    lambda _: ["prove", "--due"],
    lambda world: ["prove", "--arm", world.rng.choice(ARMS)],
    lambda world: ["ask", "--arm", world.rng.choice(ARMS), "--json"],
    lambda _: ["fleet", "--json"],
    lambda _: ["report"],
    _note,
    _note,
)


# Records


def edit(world: World) -> str:
    """Somebody edits an arm and says so."""
    arm = world.rng.choice(ARMS)
    at = world.next_taken(arm)
    name = f"M. Okafor {world.rng.getrandbits(32):08x}"
    done = world.guard("mark", "edit", arm, "--at", at.isoformat(), "--by", name)
    if done.code != 0:
        raise AssertionError(f"an edit was not recorded: {done}")
    world.edits[arm] = at
    world.marks.add(name)
    return f"edited {arm}"


def plan(world: World) -> str:
    """A shutdown is planned, or one is dropped."""
    if world.events and world.rng.random() < 0.5:
        dropped = world.rng.choice(sorted(world.events))
        ends, done = world.events[dropped], world.guard("event", "drop", dropped)
        if done.code == 0:
            world.dropped.add(dropped)
            return f"dropped {dropped}"
        if ends > world.latest_clock and dropped not in world.dropped:
            raise AssertionError(f"{dropped} was planned and cannot be dropped: {done}")
        return f"could not drop {dropped}, which is over or dropped already"
    start = (now() + timedelta(hours=world.rng.randint(2, 40))).replace(microsecond=0)
    hours = world.rng.randint(1, 9)
    done = world.guard(
        "event", "add", "--kind", "power-down", "--start", start.isoformat(), "--for", f"{hours}h", "--all"
    )
    if done.code != 0:
        raise AssertionError(f"an event was not planned: {done}")
    for event in world.guard("event", "list", "--json").json["events"]:
        world.events[event["id"]] = datetime.fromisoformat(event["end"])
    return f"planned a shutdown for {start}"


# What goes and comes back


def set_clock(world: World) -> str:
    """The clock jumps, by minutes up to a year, to either side."""
    offset = world.rng.choice((-1, 1)) * timedelta(
        minutes=world.rng.choice((1, 3, 30, 61, 200, 1500, 9000, 12000, 525600))
    )
    world.set_clock(offset)
    world.troubles["clock"] = Trouble(lambda: world.set_clock(timedelta()))
    return f"set the clock by {offset}"


def fill_disk(world: World) -> str:
    """The disk of the state folder is full."""
    ballast = world.state / "ballast.bin"
    with ballast.open("wb", buffering=0) as file:
        for size in (1 << 20, 4096, 1):
            _fill(file.fileno(), size)
    refuses = ("disk is full", "full", "disk I/O", "No space left")
    world.troubles["disk-full"] = Trouble(ballast.unlink, refuses=refuses)
    return "filled the disk of the state folder"


def _fill(file: int, size: int) -> None:
    try:
        while os.write(file, bytes(size)) == size:
            pass
    except OSError:
        return


def lock(world: World) -> str:
    """Another program holds a database of the state folder."""
    name = world.rng.choice(DATABASES)
    how = world.rng.choice(("IMMEDIATE", "EXCLUSIVE"))
    db = database(world.state / name, only_read=False)
    db.execute(f"BEGIN {how}")
    world.troubles["locked"] = Trouble(db.close, refuses=("is locked", "in use", "busy"))
    return f"locked {name} ({how})"


def tear_configuration(world: World) -> str:
    """The configuration is being written, and only half of it is there."""
    right = world.plant.config.read_bytes()
    world.plant.config.write_bytes(right[: world.rng.randrange(len(right))] + b"\n[half")
    world.troubles["configuration"] = Trouble(lambda: world.plant.config.write_bytes(right), refuses=("guard.toml",))
    return "wrote half a configuration"


def restore_copy(world: World) -> str:
    """An older copy of one database takes its place; what was in force comes back when that is undone."""
    name = world.rng.choice(DATABASES)
    older = world.plant.root / "kept" / name
    if not older.exists():
        keep_copy(world)
        return "kept a copy of the state"
    if name == "ledger.db":
        edit(world)  # else nothing that matters is missing in the copy
    was_running = world.daemon.process is not None
    if was_running:
        world.daemon.kill()
    newest = world.plant.root / "kept" / f"{name}.newest"
    copy(world.state / name, newest)
    _put(older, world.state / name)
    if was_running:
        world.daemon.start()

    def back() -> None:
        if was_running := world.daemon.process is not None:
            world.daemon.kill()
        if name == "catalogue.db" and world.rng.random() < 0.5:
            rebuild(world)
        else:
            _put(newest, world.state / name)
        if was_running:
            world.daemon.start()

    world.troubles["restored"] = Trouble(back, refuses=("it lacks entry", "it is older than"))
    return f"restored an older copy of {name}"


def keep_copy(world: World) -> str:
    """Somebody copies the databases, as a backup of the state folder does."""
    for name in DATABASES:
        copy(world.state / name, world.plant.root / "kept" / name)
    return "kept a copy of the state"


def copy(one: Path, other: Path) -> None:
    """A whole copy of a database that may be in use."""
    other.unlink(missing_ok=True)
    source, target = database(one), sqlite3.connect(other)
    source.backup(target)
    target.close()
    source.close()


def _put(kept: Path, where: Path) -> None:
    for suffix in ("-wal", "-shm", ""):
        Path(f"{where}{suffix}").unlink(missing_ok=True)
    where.write_bytes(kept.read_bytes())


def rebuild(world: World) -> str:
    """The catalogue is built again from the ledger and the share."""
    if world.daemon.process is not None:
        world.daemon.kill()
    done = world.guard("look", "--rebuild", "--yes", "--wait", "0s")
    if done.code != 0 and world.share_is_there():
        raise AssertionError(f"it cannot be rebuilt: {done}")
    for saved in world.sets.values():
        saved.told_times += 1
    for aside in world.state.glob("catalogue.db.*"):
        aside.unlink()
    return "rebuilt the catalogue"


def _mounted(world: World) -> bool:
    return world.state_is_there() and world.mount is not None


ACTS = (
    Act("kill-monitor", 8, lambda world: world.daemon.process is not None or world.state_is_there(), kill_monitor),
    Act("kill-command", 8, World.state_is_there, kill_command),
    Act("two-at-once", 6, World.state_is_there, two_at_once),
    Act("edit", 3, World.state_is_there, edit),
    Act("plan", 3, World.state_is_there, plan),
    Act("clock", 4, lambda world: world.state_is_there() and world.can_skew, set_clock),
    Act("disk-full", 3, _mounted, fill_disk),
    Act("lock", 2, World.state_is_there, lock),
    Act("configuration", 2, World.state_is_there, tear_configuration),
    Act("keep-copy", 2, World.state_is_there, keep_copy),
    Act("restore-copy", 3, World.state_is_there, restore_copy),
    Act("rebuild", 1, World.state_is_there, rebuild),
)
