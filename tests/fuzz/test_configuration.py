"""Configurations that are torn, misspelt or hostile, and lists of arms beside them."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.fuzz.bounds import Guard, Long, fuzzed
from tests.plant import Plant

EXAMPLE = (Path(__file__).parents[2] / "config" / "plant.toml").read_text(encoding="utf-8")
VISIT = (Path(__file__).parents[2] / "config" / "visit.toml").read_text(encoding="utf-8")
VALUES = st.sampled_from(
    [
        *(
            '""',
            '"\\u0000"',
            '"\\u001b[2J"',
            '"\\u202e\\u009b"',
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
        how = draw(st.sampled_from([0, 0, 0, 0, 0, 0, 1, 2, 3, 4]))  # what is no TOML goes no further
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
    return data[: draw(st.integers(0, len(data)))] if draw(st.integers(0, 5)) == 5 else data


@pytest.fixture
def elsewhere(guard: Guard, scratch: Path) -> Path:
    """A folder for configurations, whose state folder may be written."""
    made = scratch / "elsewhere"
    made.mkdir(exist_ok=True)
    guard.may_write.append(str(made.resolve()))
    return made


@fuzzed(400)
@given(st.one_of(spoiled(), spoiled(), spoiled(), st.binary(max_size=300)))
def test_configurations(guard: Guard, elsewhere: Path, data: bytes) -> None:
    config = elsewhere / "guard.toml"
    config.write_bytes(data)
    guard("fleet", "--json", config=config)


COLUMNS = st.sampled_from(["cells", "name", "area", "recipe", "powered-fraction", "ambient-c", "presence"])
HEADERS = st.lists(COLUMNS, unique=True, min_size=1, max_size=5).map(lambda columns: ["id", "serial", *columns])
CELLS = st.sampled_from(
    [
        *(
            "arm-01",
            "arm-02",
            "",
            "standard",
            "0.5",
            "-1",
            "nan",
            "9" * 999,
            Long("x" * 200_000),
            "é",
            "\x00",
            "\x1b[2J",
            "\u202e",
        ),
        *("memory-cell 2025-03-14; position-cell 2026-01-10", "memory-cell 2026-13-45", "memory-cell \x1b[2J", ";|;"),
        *('"', '"a\nb"', "a\rb", "192.0.2.7", "\udcff"),
    ]
)
ROWS = st.builds(
    lambda arm, cells: [arm, "RC-0171", *cells],
    st.sampled_from(["arm-01", "arm-02", "arm-03"]) | CELLS,
    st.lists(CELLS | st.text(max_size=8), min_size=1, max_size=6),
)


@fuzzed(400)
@given(
    st.builds(lambda header, rows: [header, *rows], HEADERS | HEADERS | ROWS, st.lists(ROWS, max_size=3)),
    st.sampled_from([",", ";", "\t"]),
    st.sampled_from(["\n", "\r\n", "\r"]),
)
def test_lists_of_arms(
    guard: Guard, plant: Plant, elsewhere: Path, lines: list[list[str]], between: str, end: str
) -> None:
    arms, config = elsewhere / "arms.csv", elsewhere / "guard.toml"
    arms.write_bytes(end.join(map(between.join, lines)).encode("utf-8", "surrogateescape"))
    text = plant.config.read_text()
    config.write_text('arms-file = "arms.csv"\n' + text[: text.index("[[arms]]")])
    guard("fleet", config=config)


@fuzzed(300)
@given(st.one_of(spoiled(VISIT), spoiled(VISIT), spoiled(VISIT), st.binary(max_size=300)))
def test_steps_of_a_visit(guard: Guard, plant: Plant, elsewhere: Path, data: bytes) -> None:
    steps, config = elsewhere / "visit.toml", elsewhere / "guard.toml"
    steps.write_bytes(data)
    text = plant.config.read_text().replace('path = "share"', f'path = "{plant.share}"')
    config.write_text(text.replace("[share]\n", f'[visit]\nsteps = "{steps}"\n[share]\n', 1))
    guard("visit", "arm-07", config=config)


@fuzzed(300)
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
                "\x1b[2J",
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
