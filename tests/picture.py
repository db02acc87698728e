"""The picture in README.md: the demo on a real terminal, drawn by rich. `python -m tests.picture` makes it anew."""

from __future__ import annotations

import io
import re
import sys
import tempfile
from pathlib import Path

from rich.console import Console
from rich.terminal_theme import TerminalTheme
from rich.text import Text

from tests.plant import Plant
from tests.terminal import Terminal

PICTURE = Path(__file__).with_name("demo.svg")
COLUMNS = 96
STEPS = ("May arm-02 be powered down?", "From hold to clear")
"""The steps that tell the story; none of them shows where on a machine the demo ran."""

COLOURS = TerminalTheme(
    (30, 30, 30),
    (225, 225, 225),
    # black, red, green, yellow, blue, magenta, cyan, white
    [(0, 0, 0), (210, 55, 55), (90, 190, 90), (230, 200, 60), (90, 140, 230), (190, 110, 200), (80, 190, 200), (255, 255, 255)],
)  # fmt: skip


def main() -> None:
    """Draw it, at the place named on the command line, else where README.md looks for it."""
    place = Path(sys.argv[1]) if sys.argv[1:] else PICTURE
    place.write_text(drawn(demo()), encoding="utf-8")


def demo() -> str:
    """What `guard demo` writes to a terminal, with what steers it."""
    with tempfile.TemporaryDirectory() as folder, Terminal(Plant(Path(folder)), "demo", columns=COLUMNS) as terminal:
        terminal.until("To keep the plant")
        return terminal.text


def drawn(text: str) -> str:
    """The chosen steps as an SVG that asks for nothing from elsewhere: no script, no font, no address but that of SVG."""
    console = Console(record=True, width=COLUMNS, file=io.StringIO(), force_terminal=True, color_system="standard")
    console.print(Text("\n\n  …\n\n").join(chosen(Text.from_ansi(text))), no_wrap=True)
    svg = console.export_svg(title="guard demo", theme=COLOURS, unique_id="demo")
    return re.sub(r"\s*(?:@font-face \{.*?\}|<!-- .*? -->)", "", svg, flags=re.DOTALL)


def chosen(shown: Text) -> list[Text]:
    """The steps in STEPS, each from its title to its last line."""
    steps = re.finditer(r"^\d+\. (?P<title>.*)\n(?:.*\n)*?(?=\n\d+\. |\nEvery step)", shown.plain, re.MULTILINE)
    places = {step["title"]: step.span() for step in steps}
    found = [shown[slice(*places[title])] for title in STEPS]
    for step in found:
        step.rstrip()
    return found


if __name__ == "__main__":
    main()
