"""Configurations that are torn, misspelt or hostile, and lists of arms beside them."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.fuzz.bounds import Guard, fuzzed
from tests.plant import Plant

EXAMPLE = (Path(__file__).parents[2] / "config" / "plant.toml").read_text(encoding="utf-8")
VISIT = (Path(__file__).parents[2] / "config" / "visit.toml").read_text(encoding="utf-8")
VALUES = st.sampled_from(
    [
        *(
            '""',
            '"\\u0000"',
            '"\\u001b[2J"',
            "-1",
            "0",
            "1e400",
            "nan",
            "-inf",
            "true",
            "[]",
            "{}",
            "[[[[]]]]",
            "1979-05-27",
        ),
        *(
            "9" * 400,
            "0x" + "f" * 4000,
            '"' + "9" * 300 + 'y"',
            '"' + "a" * 5000 + '"',
            '"(a+)+$"',
            '"(?P<x>"',
            "[1, 'a']",
        ),
        *(
            '"../../../etc"',
            '"{arm}/{arm}"',
            '"{taken:%Q}"',
            '"{any}{any}{any}{any}{any}/{arm}"',
            "'''\n'''",
            "1" * 5000,
        ),
    ]
)
PIECES = st.sampled_from(
    ["[", "]", "[[", "]]", "{", "}", '"', "'", '"""', "=", "\n", "\\", "\x00", "\x1b", ".", "#", "\ufeff"]
)


@st.composite
def spoiled(draw: st.DrawFn, example: str = EXAMPLE) -> bytes:
    """An example with values exchanged, lines lost or doubled, and pieces put in."""
    lines = example.splitlines()
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(lines) - 1))
        key, equals, _ = lines[at].partition("=")
        how = draw(st.integers(0, 4))
        if how == 0 and equals:
            lines[at] = f"{key}= {draw(VALUES)}"
        elif how == 1:
            del lines[at]
        elif how == 2:
            lines.insert(draw(st.integers(0, len(lines))), lines[at])
        elif how == 3:
            place = draw(st.integers(0, len(lines[at])))
            lines[at] = lines[at][:place] + draw(PIECES | st.text(max_size=5)) + lines[at][place:]
        else:
            lines[at] = draw(st.text(max_size=30))
    data = "\n".join(lines).encode("utf-8", "surrogatepass")
    return data[: draw(st.integers(0, len(data)))] if draw(st.booleans()) else data


@pytest.fixture
def elsewhere(guard: Guard, scratch: Path) -> Path:
    """A folder for configurations, whose state folder may be written."""
    made = scratch / "elsewhere"
    made.mkdir(exist_ok=True)
    guard.may_write.append(str(made.resolve()))
    return made


@fuzzed(120)
@given(spoiled() | st.binary(max_size=300))
def test_configurations(guard: Guard, elsewhere: Path, data: bytes) -> None:
    config = elsewhere / "guard.toml"
    config.write_bytes(data)
    guard("fleet", "--json", config=config)


@fuzzed(60)
@given(
    st.lists(
        st.sampled_from(
            ["id", "arm-01", "name", "area", "serial", "cells", "recipe", "\x00", '"', "\x1b[2J", "9" * 999, "é"]
        )
        | st.text(max_size=8),
        max_size=30,
    ),
    st.sampled_from([",", "\n", ";", "\t", ",\n"]),
)
def test_lists_of_arms(guard: Guard, plant: Plant, elsewhere: Path, fields: list[str], between: str) -> None:
    arms, config = elsewhere / "arms.csv", elsewhere / "guard.toml"
    arms.write_bytes(between.join(["id", *fields]).encode("utf-8", "surrogatepass"))
    text = plant.config.read_text()
    config.write_text('arms-file = "arms.csv"\n' + text[: text.index("[[arms]]")])
    guard("fleet", config=config)


@fuzzed(60)
@given(spoiled(VISIT) | st.binary(max_size=300))
def test_steps_of_a_visit(guard: Guard, plant: Plant, elsewhere: Path, data: bytes) -> None:
    steps, config = elsewhere / "visit.toml", elsewhere / "guard.toml"
    steps.write_bytes(data)
    text = plant.config.read_text().replace('path = "share"', f'path = "{plant.share}"')
    config.write_text(text.replace("[share]\n", f'[visit]\nsteps = "{steps}"\n[share]\n', 1))
    guard("visit", "arm-07", config=config)


@fuzzed(100)
@given(
    st.lists(
        st.sampled_from(
            [
                "{arm}",
                "{area}",
                "{any}",
                "{taken:%Y-%m-%d_%H%M}",
                "{taken:%s}",
                "{taken:",
                "}",
                "{",
                "/",
                "//",
                "..",
                "%",
                "-",
            ]
        )
        | st.text(max_size=4),
        min_size=1,
        max_size=8,
    ).map("".join)
)
def test_layouts(guard: Guard, plant: Plant, elsewhere: Path, layout: str) -> None:
    config = elsewhere / "guard.toml"
    quoted = "".join(f"\\U{ord(sign):08x}" for sign in layout if not 0xD800 <= ord(sign) < 0xE000)
    share = f'[share]\nlayout = ["{quoted}"]\n'
    config.write_text(plant.config.read_text().replace("[share]\n", share).replace('"share"', f'"{plant.share}"'))
    guard("look", "--wait", "0s", config=config)
