"""What the saboteur does to the share: saves, tears, rots, deletes, takes away, exchanges, refuses."""

from __future__ import annotations

import gzip
import importlib.util
import io
import json
import os
import shutil
import tarfile
import time
import zipfile
from contextlib import ExitStack
from datetime import datetime, timedelta
from pathlib import Path
from threading import Event
from zoneinfo import ZoneInfo

from tests.faults.faulty import faulty
from tests.faults.machine import Mount
from tests.plant import ZONE, content, stamp
from tests.saboteur.world import ARMS, SETTLE_S, Act, Saved, Trouble, World, can_lose_permission

LEFT = (".part", ".filepart", ".tmp")
MARKER = ".guard-share.json"
FORMS = ("", "", ".zip", ".tar.gz")


def save(world: World, arm: str | None = None) -> str:
    """A whole set is saved at once."""
    saved = _begin(world, arm or world.rng.choice(ARMS))
    _write(world, saved, _files(saved))
    saved.flaw = ""
    return f"saved {saved.path}"


def save_slowly(world: World) -> str:
    """A set arrives in pieces, with pauses shorter than the settle time; sometimes the clock jumps meanwhile."""
    saved = _begin(world, world.rng.choice(ARMS), "")
    pieces = [(name, data[:end]) for name, data in _files(saved).items() for end in (len(data) // 2, len(data))]
    jump = world.rng.randrange(len(pieces)) if world.can_skew and world.rng.random() < 0.4 else None
    last = time.monotonic()
    for number, piece in enumerate(pieces):
        late = time.monotonic() - last > SETTLE_S * 0.7  # then it may have settled, half as it was
        _write(world, saved, dict([piece]))
        last = time.monotonic()
        if number == jump:
            world.set_clock(timedelta(hours=5))
        Event().wait(world.rng.uniform(0, SETTLE_S / 5))
        asked = world.guard("ask", "--arm", saved.arm, "--action", "power-down", "--json")
        if asked.code == 0 and number < len(pieces) - 1 and not late and time.monotonic() - last < SETTLE_S * 0.7:
            raise AssertionError(f"clear while {saved.path} arrives, {number + 1} of {len(pieces)} pieces: {asked}")
    saved.flaw = ""
    if jump is not None:
        world.set_clock(timedelta())
    return f"saved {saved.path} in pieces" + ("" if jump is None else f", the clock jumped at piece {jump + 1}")


def tear(world: World) -> str:
    """A set is left torn: a part or half a file of it is missing, or half an archive."""
    saved = _begin(world, world.rng.choice(ARMS))
    files = _files(saved)
    if not saved.form and world.rng.random() < 0.2:
        _write(world, saved, files | {f"memory.bin{world.rng.choice(LEFT)}": b"half"})
        how = "a copy has left half a file beside it"
    elif saved.form:
        where = world.lower / saved.path
        where.parent.mkdir(parents=True, exist_ok=True)
        packed = _packed(saved, files)
        where.write_bytes(packed[: world.rng.randrange(1, len(packed))])
        _date(where, saved.taken)
        how = "half an archive"
    else:
        lost = world.rng.choice(("axis-zero.csv", "memory.bin", "settings.toml"))
        kept = files[lost][: world.rng.choice((0, 10))]
        _write(world, saved, {**files, lost: kept} if kept else {n: d for n, d in files.items() if n != lost})
        how = f"{lost} of {len(kept)} bytes"
    world.sets[saved.path] = saved
    saved.flaw = f"it is torn: {how}"
    return f"tore {saved.path}: {how}"


def mend(world: World) -> str:
    """The rest of a torn set arrives after all."""
    torn = [each for each in world.sets.values() if each.flaw.startswith("it is torn")]
    saved = world.rng.choice(torn)
    for left in () if saved.form else LEFT:
        (world.lower / saved.path / f"memory.bin{left}").unlink(missing_ok=True)
    _write(world, saved, _files(saved))
    saved.flaw = ""
    saved.least_told = 0  # in an older set, a file that is written in place is seen by nobody until it is read again
    return f"the rest of {saved.path} arrived"


def rot(world: World) -> str:
    """A byte of a set changes, with size and times as they were; the next read-back has to find it."""
    proven = _proven(world)
    if not proven:
        return "found nothing to rot"
    saved = world.rng.choice(proven)
    where = world.lower / saved.path
    if not saved.form:
        where = world.rng.choice(sorted(each for each in where.rglob("*") if each.is_file()))
    about, right = where.stat(), where.read_bytes()
    at = world.rng.randrange(len(right))
    rotten = bytearray(right)
    rotten[at] ^= 1 << world.rng.randrange(8)
    _put_in_place(where, bytes(rotten), about)
    if saved.form and _unpacked(bytes(rotten), saved.form) == _unpacked(right, saved.form):
        _put_in_place(where, right, about)
        return f"byte {at} of {saved.path} means nothing"
    proved = world.guard("prove", saved.path)
    saved.flaw = "it is damaged: a byte rotted"
    if proved.code != 20 or "damaged" not in proved.out:
        raise AssertionError(f"rot of byte {at} in {where} was not found: {proved}")
    return f"rotted byte {at} of {where.relative_to(world.lower)}"


def _put_in_place(where: Path, data: bytes, about: os.stat_result) -> None:
    with where.open("r+b") as file:
        file.write(data)
    os.utime(where, ns=(about.st_atime_ns, about.st_mtime_ns))


def _proven(world: World) -> list[Saved]:
    shown = {each["path"] for each in world.guard("sets", "--json").json["sets"] if each["proof"] == "read-back"}
    return [each for each in world.whole() if each.path in shown]


def write_into(world: World) -> str:
    """A file of a set is written anew, which shows by its time."""
    proven = [each for each in _proven(world) if not each.form]
    if not proven:
        return "found nothing to write into"
    saved = world.rng.choice(proven)
    where = world.lower / saved.path / "programs" / "main.txt"
    where.write_bytes(where.read_bytes().swapcase())
    saved.flaw = "it is damaged: a program was written anew"
    return f"wrote into {saved.path}"


def delete(world: World) -> str:
    """A set is deleted."""
    saved = world.rng.choice(sorted(world.sets.values(), key=lambda each: each.path))
    where = world.lower / saved.path
    if saved.form:
        where.unlink()
    else:
        shutil.rmtree(where)
    del world.sets[saved.path]
    return f"deleted {saved.path}"


# What goes and comes back


def take_away(world: World) -> str:
    """The share is unmounted, and sometimes its folder is not there either."""
    mount, share = world.mount, world.plant.share
    if mount is None:
        share.rename(share.with_name("elsewhere"))

        def back() -> None:
            share.with_name("elsewhere").rename(share)
    else:
        mount.unmount()
        if missing := world.rng.random() < 0.5:
            share.rmdir()

        def back() -> None:
            if missing:
                share.mkdir()
            mount.mount()

    world.troubles["share-away"] = Trouble(back, why="the share is not there")
    return "took the share away"


def exchange(world: World) -> str:
    """Another share stands in its place, with a marker of its own and with newer sets."""
    mount = world.mount
    assert mount is not None
    other = world.plant.root.parent / "other"
    if not other.exists():
        for arm in ARMS:
            world.plant.save(arm, timedelta(minutes=20), place=other)
        (other / MARKER).write_text(json.dumps({"schema": 1, "identity": "0" * 32}))
    _bind(mount, other)

    def back() -> None:
        _bind(mount, world.lower)

    world.troubles["share-exchanged"] = Trouble(back, why="another share is in its place")
    return "put another share in its place"


def _bind(mount: Mount, folder: Path) -> None:
    mount.unmount()
    mount.words = ("--bind", folder)
    mount.mount()


def spoil_marker(world: World) -> str:
    """The marker is gone, empty or cut."""
    marker = world.lower / MARKER
    right = marker.read_bytes()
    left = world.rng.choice((None, b"", right[: len(right) // 2], b"[]", b"\xff\xfe"))
    if left is None:
        marker.unlink()
    else:
        marker.write_bytes(left)
    world.troubles["marker-spoiled"] = Trouble(lambda: marker.write_bytes(right), why=f"its marker holds {left!r}")
    return f"left {left!r} in the marker"


def refuse(world: World) -> str:
    """Permission is lost: for the share, for an arm's folder, or for its newest set."""
    arm = world.rng.choice(ARMS)
    newest = world.newest(arm)
    places = [(world.lower, ARMS), (world.lower / arm, (arm,))]
    if newest is not None and not newest.form:
        places.append((world.lower / newest.path, (arm,)))
    where, arms = world.rng.choice([each for each in places if each[0].exists()])
    mode = where.stat().st_mode
    where.chmod(0)
    why = f"{where.relative_to(world.lower.parent)} may not be read"
    of_a_set = newest is not None and where == world.lower / newest.path
    world.troubles["refused"] = Trouble(lambda: where.chmod(mode), arms=arms, why=why, blocks=not of_a_set)
    return why


def fail(world: World) -> str:
    """The share is read through a file system that fails."""
    assert world.mount is not None
    world.mount.unmount()
    stack = ExitStack()
    share, control = world.plant.share, world.plant.root.parent / "control"
    faults = stack.enter_context(faulty(world.lower, share, control))
    arm = world.rng.choice((*ARMS, ""))
    error = world.rng.choice(("EIO", "ESTALE", "EACCES"))
    faults.fail(arm or MARKER, "list" if arm else "read", error)

    def back() -> None:
        assert world.mount is not None
        stack.close()
        world.mount.mount()

    world.rest.callback(stack.close)
    why = f"{arm or 'its marker'} gives {error}"
    world.troubles["failing"] = Trouble(back, arms=(arm,) if arm else ARMS, why=why)
    return why


# Saving


def _begin(world: World, arm: str, form: str | None = None) -> Saved:
    taken = world.next_taken(arm)
    form = world.rng.choice(FORMS) if form is None else form
    return Saved(arm, f"{arm}/{stamp(taken)}{form}", taken, form)


def _files(saved: Saved) -> dict[str, bytes]:
    return content(saved.arm, saved.taken.isoformat())


def _write(world: World, saved: Saved, files: dict[str, bytes]) -> None:
    world.sets[saved.path] = saved
    where = world.lower / saved.path
    if saved.form:
        where.parent.mkdir(parents=True, exist_ok=True)
        where.write_bytes(_packed(saved, files))
        _date(where, saved.taken)
        return
    for name, data in files.items():
        (where / name).parent.mkdir(parents=True, exist_ok=True)
        (where / name).write_bytes(data)
        _date(where / name, saved.taken)


def _date(where: Path, moment: datetime) -> None:
    os.utime(where, (moment.timestamp(), moment.timestamp()))


def _packed(saved: Saved, files: dict[str, bytes]) -> bytes:
    packed = io.BytesIO()
    if saved.form == ".zip":
        with zipfile.ZipFile(packed, "w", zipfile.ZIP_DEFLATED) as made:
            for name, data in files.items():
                made.writestr(zipfile.ZipInfo(name, saved.taken.astimezone(ZoneInfo(ZONE)).timetuple()[:6]), data)
        return packed.getvalue()
    with tarfile.open(fileobj=packed, mode="w") as tar:
        for name, data in files.items():
            info = tarfile.TarInfo(name)
            info.size, info.mtime = len(data), int(saved.taken.timestamp())
            tar.addfile(info, io.BytesIO(data))
    return gzip.compress(packed.getvalue(), mtime=0)


def _unpacked(packed: bytes, form: str) -> dict[str, bytes] | None:
    """What an archive holds; None where it cannot be read to its end."""
    try:
        if form == ".zip":
            with zipfile.ZipFile(io.BytesIO(packed)) as made:
                return {name: made.read(name) for name in made.namelist()}
        with tarfile.open(fileobj=io.BytesIO(gzip.decompress(packed))) as tar:
            return {each.name: read.read() for each in tar if (read := tar.extractfile(each)) is not None}
    except Exception:  # noqa: BLE001 - whatever a broken archive leads the parsers to
        return None


def _quiet(world: World) -> bool:
    """Whether the tool can be asked about the share meanwhile."""
    return world.share_is_there() and world.state_is_there()


def _torn(world: World) -> bool:
    return world.share_is_there() and any(each.flaw.startswith("it is torn") for each in world.sets.values())


def _many(world: World) -> bool:
    """Whether one set more or less is not nearly everything."""
    return world.share_is_there() and len(world.sets) > 12


def _mounted(world: World) -> bool:
    return world.share_is_there() and world.mount is not None


def _fails(world: World) -> bool:
    return _mounted(world) and Path("/dev/fuse").exists() and importlib.util.find_spec("mfusepy") is not None


ACTS = (
    Act("save", 8, World.share_is_there, save),
    Act("save-slowly", 3, _quiet, save_slowly),
    Act("tear", 6, World.share_is_there, tear),
    Act("mend", 3, _torn, mend),
    Act("rot", 5, _quiet, rot),
    Act("write-into", 3, _quiet, write_into),
    Act("delete", 3, _many, delete),
    Act("take-away", 4, World.share_is_there, take_away),
    Act("exchange", 4, _mounted, exchange),
    Act("spoil-marker", 4, World.share_is_there, spoil_marker),
    Act("refuse", 4, lambda world: world.share_is_there() and can_lose_permission(world), refuse),
    Act("fail", 3, _fails, fail),
)
