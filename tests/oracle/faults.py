"""What goes wrong: with a set as it is saved, and with sets that lie on the share."""

from __future__ import annotations

import os
import shutil
from datetime import UTC, datetime, timedelta
from pathlib import Path
from random import Random

from tests.oracle.memory import Memory
from tests.oracle.plants import DAY, Content, set_time
from tests.oracle.setting import Arm

AT_SAVE = (
    "no-image", "no-axis", "no-programs", "blank-image", "short-axis", "binary-axis", "wrong-serial", "other-axis",
    "other-image", "mixed", "few-programs", "link", "sums", "bad-sums", "future-stamp", "old-stamp", "future-times",
    "old-times", "times-before", "times-after", "odd-name",
)  # fmt: skip


def at_save(
    dice: Random, arm: Arm, others: list[Content], taken: datetime, content: Content
) -> tuple[datetime, Content, str]:
    """The stamp and the content of a set with one thing wrong with it, and which."""
    kind = dice.choice(AT_SAVE)
    files = dict(content.files)
    stamp, links = taken, {}
    match kind:
        case "no-image":
            files.pop("memory.bin")
        case "no-axis":
            files.pop("axis-zero.csv")
        case "no-programs":
            files = {name: file for name, file in files.items() if not name.startswith("programs/")}
        case "blank-image":
            files["memory.bin"] = (bytes(4096), taken)
        case "short-axis":
            files["axis-zero.csv"] = (b"axis,co", taken)
        case "binary-axis":
            files["axis-zero.csv"] = (b"\xff\xfe" + bytes(range(100)), taken)
        case "wrong-serial":
            files["settings.toml"] = (b'serial = "RC-0000"\n', taken)
        case "other-axis" | "other-image":
            name = "axis-zero.csv" if kind == "other-axis" else "memory.bin"
            other = next((one.files[name] for one in others if name in one.files), files[name])
            files[name] = (other[0], taken)
        case "mixed":
            files["axis-zero.csv"] = (files["axis-zero.csv"][0], taken - dice.choice((0.9, 1.1, 5)) * DAY)
        case "few-programs":
            files.pop("programs/p3.txt")
            if dice.random() < 0.5:
                files.pop("programs/p2.txt")
        case "link":
            links = {"programs/link": "/etc/hostname"}
        case "sums" | "bad-sums":
            files["SHA256SUMS"] = (_sums(content, wrong=kind == "bad-sums"), taken)
        case "future-stamp":
            stamp = datetime.now(UTC) + dice.choice((2, 40)) * DAY
        case "old-stamp":
            stamp = datetime(1985, 1, 1, 0, 0, tzinfo=UTC) + dice.randrange(1000) * DAY
        case "future-times":
            files = {name: (data, taken + 500 * DAY) for name, (data, _) in files.items()}
        case "old-times":
            files = {name: (data, datetime(1980, 1, 2, tzinfo=UTC)) for name, (data, _) in files.items()}
        case "times-before":
            files = {name: (data, changed - 3 * DAY) for name, (data, changed) in files.items()}
        case "times-after":
            files = {name: (data, min(changed + DAY, datetime.now(UTC))) for name, (data, changed) in files.items()}
        case "odd-name":
            files["programs/a\\b \u00e4\n.txt"] = (b"move\n" + arm.id.encode(), taken)
    return stamp, Content(files, links), kind


def _sums(content: Content, *, wrong: bool) -> bytes:
    import hashlib

    lines = [f"{hashlib.sha256(data).hexdigest()}  {name}\n" for name, (data, _) in content.files.items()]
    return "".join(lines).replace("a", "b" if wrong else "a").encode()


def on_share(dice: Random, root: Path, memory: Memory) -> str:
    """Let something happen to a set that lies on the share; what it was."""
    sets = sorted(memory.read().sets)
    arm = dice.choice(memory.setting.arms).id
    kind = dice.choice(("rot", "rot", "change", "delete-file", "delete-set", "touch", "add", "odd-entry", "rot-copy", "truncate"))
    if kind == "odd-entry":
        return _odd_entry(dice, root, arm, sets)
    if not sets:
        return ""
    path = dice.choice(sets)
    place = root / "share" / path
    if kind == "rot-copy":
        places = [root / each / path for each in memory.setting.copies if (root / each / path).exists()]
        if not places:
            return ""
        place, kind = places[0], "rot"
    if kind == "delete-set":
        shutil.rmtree(place) if place.is_dir() else place.unlink()
        return f"{path} deleted"
    files = [one for one in (place.rglob("*") if place.is_dir() else [place]) if one.is_file() and not one.is_symlink()]
    if kind == "add":
        if not place.is_dir():
            return ""
        new = place / "programs" / "late.txt"
        new.parent.mkdir(exist_ok=True)
        new.write_bytes(b"half of")
        return f"{path}: programs/late.txt added"
    if not files:
        return ""
    file = dice.choice(sorted(files))
    status = file.stat()
    data = bytearray(file.read_bytes())
    if kind == "delete-file":
        file.unlink()
    elif kind == "truncate":
        file.write_bytes(data[: len(data) // 2])
    elif kind == "touch":
        set_time(file, datetime.now(UTC) - timedelta(minutes=5))
    elif data:
        data[dice.randrange(len(data))] ^= 1 + dice.randrange(255)
        file.write_bytes(data)
        if kind == "rot":
            os.utime(file, ns=(status.st_atime_ns, status.st_mtime_ns))
    return f"{kind} {file.relative_to(root)}"


def _odd_entry(dice: Random, root: Path, arm: str, sets: list[str]) -> str:
    mine = [path for path in sets if f"{arm}/" in path]
    folder = (root / "share" / mine[0]).parent if mine else root / "share" / arm
    folder.mkdir(parents=True, exist_ok=True)
    name = dice.choice(("2026-13-45_0000", "Neuer Ordner", "notes.txt", "backup.zip.part"))
    if name.endswith(("txt", "part")):
        (folder / name).write_bytes(b"x")
    else:
        (folder / name).mkdir(exist_ok=True)
    return f"odd entry {(folder / name).relative_to(root)}"
