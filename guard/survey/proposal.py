"""Writes what a survey found as a configuration, with its doubts as comments."""

from __future__ import annotations

import os
import re
import textwrap

from guard.names import visible
from guard.survey.guess import IdentityGuess, PartGuess
from guard.survey.survey import Survey

WIDTH = 100
UNKNOWN_ZONE = "UTC"


def proposal(found: Survey, share_path: str) -> str:
    """A valid configuration for the share, with doubts as comments.

    ``share_path`` is written down as it is; no sign of any name found can end a string or
    reach a terminal raw.
    """
    zone, zone_doubt = system_zone()
    areas = len({arm.area for arm in found.arms if arm.area})
    below = f" in {areas} areas" if areas else ""
    blocks = [
        comment(
            f"Proposed from a look at the share: {len(found.arms)} arms{below}, {found.sets} sets seen."
            " Read it through; each line that begins with Doubt asks for a person who knows the plant."
        ),
        "[plant]",
        doubt("the name of the plant is not known here. Write yours."),
        'name = "Plant"',
        doubt(zone_doubt),
        f"timezone = {quoted(zone)}",
        'state = "state"\n',
        "[share]",
        f"path = {quoted(share_path)}",
        *map(doubt, found.doubts),
        f"layout = [{', '.join(map(quoted, found.layouts))}]",
        'settle = "2m"\n',
        *_recipe(found),
        *_arms(found),
    ]
    return "\n".join(blocks) + "\n"


def _recipe(found: Survey) -> list[str]:
    lines = ["[recipes.standard]", f"volatile = [{', '.join(map(quoted, found.recipe.volatile))}]"]
    if not found.recipe.volatile:
        lines[1] = '# volatile = ["history/**"]'
    if found.recipe.identity is not None:
        lines += _identity(found.recipe.identity)
    for part in found.recipe.parts:
        lines += _part(part)
    return [*lines, ""]


def _identity(identity: IdentityGuess) -> list[str]:
    return [
        doubt(
            "this file seems to tell the controller's serial number. To have every set checked by it, take off"
            " the # of the next line and write the serial of each arm below."
        ),
        f"# identity = {{ file = {quoted(identity.file)}, pattern = {quoted(identity.pattern)} }}",
    ]


def _part(part: PartGuess) -> list[str]:
    checks = []
    if part.min_bytes is not None:
        checks.append(f"min-size = {quoted(_size(part.min_bytes))}")
    if part.text:
        checks.append('text = "utf-8"')
    if part.not_blank:
        checks.append("not-blank = true")
    lines = [
        f"[recipes.standard.parts.{key(part.name)}]",
        f"files = [{', '.join(map(quoted, part.files))}]",
        f"at-least = {part.at_least}",
    ]
    return lines + ([f"checks = {{ {', '.join(checks)} }}"] if checks else [])


def _size(count: int) -> str:
    return f"{count // 1024} KiB" if count % 1024 == 0 and count else f"{count} B"


def _arms(found: Survey) -> list[str]:
    lines = [
        doubt("the lithium cells of the arms are not known. Add to each arm what it has, such as"),
        '# cells = [ { type = "memory-cell", installed = 2025-03-14 } ]',
    ]
    for arm in found.arms:
        lines += ["[[arms]]", f"id = {quoted(arm.id)}"]
        lines += [f"area = {quoted(arm.area)}"] if arm.area else []
    return lines


def quoted(text: str) -> str:
    """A TOML basic string. Every sign that ends it, steers a terminal or hides stands as an escape.

    What is no UTF-8 cannot stand in TOML; it is spelled, and the caller must not rely on it.
    """
    return '"' + "".join(map(_escaped, text)) + '"'


def _escaped(sign: str) -> str:
    if sign in '"\\':
        return f"\\{sign}"
    if sign == " " or sign.isprintable():
        return sign
    code = ord(sign)
    if 0xD800 <= code <= 0xDFFF:
        return f"\\\\x{code & 0xFF:02x}"
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


def key(name: str) -> str:
    """A TOML key, quoted where it must be."""
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else quoted(name)


def comment(text: str) -> str:
    """TOML comment lines. No sign in the text can end one or steer a terminal."""
    lines = textwrap.wrap(visible(text), WIDTH, break_long_words=False, break_on_hyphens=False)
    return "\n".join(f"# {line}" for line in lines)


def doubt(text: str) -> str:
    """A doubt as TOML comment lines."""
    return comment(f"Doubt: {text}")


# The zone


def system_zone() -> tuple[str, str]:
    """The IANA name of this computer's zone, with the doubt that belongs to it."""
    for name in _zone_names():
        if _is_zone(name):
            return name, "this is the time zone of this computer. Is it the plant's?"
    return UNKNOWN_ZONE, (
        "the time zone of this computer could not be told. Write the plant's, such as Europe/Berlin: the dates"
        " in the names are read in it."
    )


def _zone_names() -> list[str]:
    names = [os.environ.get("TZ", "").removeprefix(":")]
    try:
        with open("/etc/timezone", encoding="ascii") as file:
            written = file.read(200).strip()
    except (OSError, UnicodeError):
        written = ""
    linked = os.path.realpath("/etc/localtime").partition("/zoneinfo/")[2]
    return [*names, linked.removeprefix("posix/").removeprefix("right/"), written]


def _is_zone(name: str) -> bool:
    from zoneinfo import ZoneInfo, ZoneInfoNotFoundError

    if not re.fullmatch(r"[A-Za-z][A-Za-z0-9_+-]*(/[A-Za-z0-9_+-]+)*", name):
        return False
    try:
        ZoneInfo(name)
    except (ZoneInfoNotFoundError, ValueError, OSError):
        return False
    return True
