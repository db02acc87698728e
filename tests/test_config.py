"""The configuration: what it says is what is understood, and every fault in it is told at once."""

from __future__ import annotations

import json
import string
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as runs
from hypothesis import strategies as st

from guard import kept
from guard.config import parse
from guard.errors import ConfigFaults, ConfigMissing
from guard.load import load
from guard.model import NEVER_SIGNED, Limits
from guard.plant import ArchiveLimits, Arm, Cell, CellType, Checks, Costs, Identity, PartRule, Recipe
from guard.settings import Calendar, Keep, Notify, Reports, Service, Settings, Warnings
from tests.plant import Plant

EXAMPLE = """
[plant]
name = "Ridgemoor Castings"
timezone = "Europe/Berlin"        # IANA name
state = "state"                   # folder for catalogue, ledger, reports

[share]
path = "share"
layout = ["{arm}/{taken:%Y-%m-%d_%H%M}"]   # set = folder or archive of that name; several allowed; {area} and {any} may occur
settle = "2m"
watch = "auto"                    # auto | events | poll
copies = []                       # further places with the same layout
copies-needed = 0                 # how many of them must hold an identical set

[fresh]                           # greatest age of the set at the event's start
power-down = "7d"
memory-swap = "24h"
position-swap = "7d"
service-visit = "24h"

[proof]
read-back-within = "30d"
restore-test-within = "400d"      # caution when exceeded; "off" to leave out

[window]
limit = "30m"
closing = 0.7                     # from here on: blocking warning
powered-before = "30m"

[recipes.standard]
volatile = ["history/**"]
identity = { file = "settings.toml", pattern = 'serial = "(?P<serial>[^"]+)"' }
[recipes.standard.parts.programs]
files = ["programs/**"]
at-least = 1
[recipes.standard.parts.axis-zero]
files = ["axis-zero.csv"]
checks = { min-size = "16 B", text = "utf-8", not-blank = true }
[recipes.standard.parts.image]
files = ["memory.bin"]
checks = { min-size = "64 KiB", not-blank = true }

[cell-types.memory-cell]
kind = "memory"                   # memory | position
interval = "4y"
capacity-mah = 1000
usable = 0.85
self-discharge-per-year = 0.01    # at 25 degrees C
standby-ua = 20.0
spread = { capacity = 0.05, standby = 0.15 }

[[arms]]
id = "arm-07"
name = "Fettling cell, left"
area = "finishing"
serial = "RC-4471"
recipe = "standard"
cells = [ { type = "memory-cell", installed = 2025-03-14 }, { type = "position-cell", installed = 2026-01-10 } ]
powered-fraction = 0.85           # of the year with mains on, where nothing is recorded
ambient-c = 30
"""

LEAST = """[plant]
name = "Ridgemoor Castings"
timezone = "Europe/Berlin"
[share]
path = "share"
[[arms]]
id = "arm-01"
"""

YEAR = timedelta(days=365.25)
DAY = timedelta(days=1)
MINUTE = timedelta(minutes=1)


def parsed(text: str, folder: str = "/plants/ridgemoor") -> Settings:
    return parse(f"{folder}/guard.toml", text.encode())[0]


def faults(text: str | bytes, path: str = "/plants/ridgemoor/guard.toml") -> list[tuple[int | None, str, str, str]]:
    """Line, key, what is wrong and what would be right, of every fault; all in the configuration's own file."""
    with pytest.raises(ConfigFaults) as refusal:
        parse(path, text.encode() if isinstance(text, str) else text)
    assert {fault.file for fault in refusal.value.faults} == {path}
    return [(fault.line, fault.key, fault.wrong, fault.right) for fault in refusal.value.faults]


class TestWhatItSays:
    def test_the_example_of_the_contract_to_the_letter(self) -> None:
        assert parsed(EXAMPLE) == Settings(
            file="/plants/ridgemoor/guard.toml",
            plant="Ridgemoor Castings",
            timezone="Europe/Berlin",
            state="/plants/ridgemoor/state",
            share="/plants/ridgemoor/share",
            layouts=("{arm}/{taken:%Y-%m-%d_%H%M}",),
            settle=2 * MINUTE,
            watch="auto",
            copies=(),
            limits=Limits(
                fresh=(
                    ("power-down", 7 * DAY),
                    ("memory-swap", DAY),
                    ("position-swap", 7 * DAY),
                    ("service-visit", DAY),
                ),
                read_back_within=30 * DAY,
                restore_test_within=400 * DAY,
                copies_needed=0,
                unseen_after=timedelta(hours=26),
                parts_apart=DAY,
                shrink_permille=300,
                window=30 * MINUTE,
                closing_permille=700,
                powered_before=30 * MINUTE,
            ),
            archives=ArchiveLimits(200_000, 64 << 30, 200),
            keep=Keep(14 * DAY, 14, 8, 12, 5, 3, 30 * DAY, "leave"),
            service=Service(15 * MINUTE, MINUTE, 60, 500 << 30),
            reports=Reports(330, 400 * DAY),
            warnings=Warnings((7 * DAY, 2 * DAY, timedelta(hours=4)), DAY, sheets_on_share=False),
            visit_steps="",
            notify=Notify(None, "", ""),
            calendar=Calendar((), 400 * DAY, 5000, 100_000_000, ()),
            recipes={
                "standard": Recipe(
                    "standard",
                    (
                        PartRule("programs", ("programs/**",), 1, Checks()),
                        PartRule(
                            "axis-zero", ("axis-zero.csv",), 1, Checks(min_bytes=16, not_blank=True, text="utf-8")
                        ),
                        PartRule("image", ("memory.bin",), 1, Checks(min_bytes=64 << 10, not_blank=True)),
                    ),
                    ("history/**",),
                    Identity("settings.toml", 'serial = "(?P<serial>[^"]+)"', "serial"),
                )
            },
            cell_types={
                "memory-cell": CellType("memory-cell", "memory", 4 * YEAR, 1000.0, 0.85, 0.01, 20.0, 0.05, 0.15),
                "position-cell": CellType("position-cell", "position", YEAR),
            },
            arms={
                "arm-07": Arm(
                    "arm-07",
                    "Fettling cell, left",
                    "finishing",
                    "RC-4471",
                    "standard",
                    (Cell("memory-cell", date(2025, 3, 14)), Cell("position-cell", date(2026, 1, 10))),
                    0.85,
                    30.0,
                )
            },
        )

    def test_everything_but_plant_share_and_arms_has_a_default(self) -> None:
        """The defaults are the example's own values, but for what only that plant has."""
        least, example = parsed(LEAST), parsed(EXAMPLE)

        assert least._replace(recipes={}, arms={}) == example._replace(recipes={}, arms={})
        assert least.recipes == {"standard": example.recipes["standard"]._replace(identity=None)}
        assert least.arms == {"arm-01": Arm("arm-01", "arm-01")}
        assert least.arms["arm-01"] == Arm("arm-01", "arm-01", "", "", "standard", (), 0.85, 25.0)

    def test_a_restore_test_may_be_off(self) -> None:
        assert parsed(LEAST + '[proof]\nrestore-test-within = "off"\n').limits.restore_test_within is None

    def test_no_part_need_be_volatile(self) -> None:
        text = LEAST + '[recipes.standard]\nvolatile = []\n[recipes.standard.parts.programs]\nfiles = ["*"]\n'

        assert parsed(text).recipes["standard"].volatile == ()

    def test_a_recipe_of_ones_own_leaves_the_standard_one_there(self) -> None:
        text = LEAST + 'recipe = "small"\n[recipes.small.parts.programs]\nfiles = ["*.txt"]\n'

        assert set(parsed(text).recipes) == {"standard", "small"}
        assert parsed(text).recipe_of("arm-01").parts == (PartRule("programs", ("*.txt",), 1, Checks()),)

    def test_absolute_paths_stay_and_relative_ones_begin_at_the_file(self) -> None:
        text = LEAST.replace('path = "share"', 'path = "../share"\ncopies = ["/mnt/second", "third"]')

        assert parsed(text).share == "/plants/share"
        assert parsed(text).copies == ("/mnt/second", "/plants/ridgemoor/third")

    @pytest.mark.parametrize(
        ("text", "length"),
        [
            ("90s", timedelta(seconds=90)),
            ("30m", timedelta(minutes=30)),
            ("24h", DAY),
            ("7d", 7 * DAY),
            ("6w", 42 * DAY),
            ("4y", timedelta(days=1461)),
            ("1.5h", 90 * MINUTE),
            ("0s", timedelta()),
        ],
    )
    def test_spans(self, text: str, length: timedelta) -> None:
        assert parsed(LEAST.replace("[[arms]]", f'settle = "{text}"\n[[arms]]')).settle == length

    @pytest.mark.parametrize(
        ("text", "count"),
        [
            ("16 B", 16),
            ("2 kB", 2000),
            ("64 KiB", 65_536),
            ("3MB", 3_000_000),
            ("1 MiB", 1 << 20),
            ("1 GB", 10**9),
            ("2.5 GiB", 5 << 29),
        ],
    )
    def test_sizes(self, text: str, count: int) -> None:
        assert parsed(LEAST + f'[limits]\narchive-content = "{text}"\n').archives.content_bytes == count

    def test_what_nobody_may_answer_for(self) -> None:
        text = LEAST + '[sign-off]\nnever = ["stale-backup", "power-down/cell-alarm", "stale-backup"]\n'
        assert parsed(text).limits.never_signed == (("", "stale-backup"), ("power-down", "cell-alarm"))
        assert parsed(LEAST + "[sign-off]\nnever = []\n").limits.never_signed == ()
        assert parsed(LEAST).limits.never_signed == NEVER_SIGNED

    def test_every_figure_of_a_cell_type_finds_its_field(self) -> None:
        figures = (
            "capacity-mah = 900\nusable = 0.8\nself-discharge-per-year = 0.02\nstandby-ua = 15\n"
            'standby-doubles-every-c = 12\nageing-ev = 0.9\nshelf-life = "5y"\n'
            "spread = { capacity = 0.04, standby = 0.1, self-discharge = 0.2 }"
        )
        assert parsed(CELL_TYPE_KEY.format(figures)).cell_types["small"] == CellType(
            name="small", kind="memory", interval=4 * YEAR, capacity_mah=900.0, usable=0.8,
            self_discharge_per_year=0.02, standby_ua=15.0, spread_capacity=0.04, spread_standby=0.1,
            spread_self_discharge=0.2, ageing_ev=0.9, standby_doubles_every_c=12.0, shelf_life=5 * YEAR,
        )  # fmt: skip

    def test_a_byte_order_mark_and_carriage_returns_do_no_harm(self) -> None:
        text = "\ufeff" + EXAMPLE.replace("\n", "\r\n")

        assert parsed(text) == parsed(EXAMPLE)


def test_hours_of_an_arm_come_before_those_of_its_recipe_and_those_before_all_others() -> None:
    text = """
[plant]
name = "P"
timezone = "UTC"
[share]
path = "share"
[loss]
edit-hours = 1
rebuild-hours = 20
[recipes.one]
loss = { rebuild-hours = 30, reteach-hours = 100 }
[recipes.one.parts.programs]
files = ["*"]
[[arms]]
id = "arm-01"
recipe = "one"
loss = { reteach-hours = 200 }
[[arms]]
id = "arm-02"
recipe = "one"
[[arms]]
id = "arm-03"
"""
    assert [arm.costs for arm in parsed(text).arms.values()] == [
        Costs(2, 1, 30, 200),
        Costs(2, 1, 30, 100),
        Costs(2, 1, 20, 80),
    ]


SHARE_KEY = LEAST.replace("[[arms]]", "{}\n[[arms]]")
"""The least configuration with one more line in [share], which is line 6."""
ARM_KEY = LEAST + "{}\n"
"""The least configuration with one more line in its arm, which is line 8."""
RECIPE_KEY = LEAST + '[recipes.standard]\n{}\n[recipes.standard.parts.programs]\nfiles = ["*"]\n'
PART_KEY = LEAST + '[recipes.standard.parts.programs]\nfiles = ["*"]\n{}\n'
CELL_TYPE_KEY = LEAST + '[cell-types.small]\nkind = "memory"\ninterval = "4y"\n{}\n'

SPAN = 'write one of "90s" "30m" "24h" "7d" "6w" "4y"'
COUNT = "write a whole number, 0 or more"
NUMBER = "write a number such as 30 or 0.85"
FRACTION = "write a number from 0 to 1"
QUOTES = 'write it in quotes, such as "Ridgemoor Castings"'
GROUP = "name one group (?P<serial>…), (?P<id>…) or (?P<name>…)"


NO_FINDING = 'write a finding\'s code, such as "wrong-arm", or one before an action, such as "memory-swap/no-backup"'


class TestFaults:
    """Each way to be wrong is told with its line, key, what is wrong and what would be right."""

    @pytest.mark.parametrize(
        ("text", "line", "key", "wrong", "right"),
        [
            pytest.param(SHARE_KEY.format('setle = "2m"'), 6, "share.setle", "is no key that is known", "did you mean settle?", id="unknown-key-near"),
            pytest.param(SHARE_KEY.format("zzz = 1"), 6, "share.zzz", "is no key that is known", "the keys here are path, layout, settle, watch, copies, copies-needed, unseen-after", id="unknown-key"),
            pytest.param(LEAST + "[shares]\n", 8, "shares", "is no key that is known", "did you mean share?", id="unknown-table"),
            pytest.param(ARM_KEY.format('seriel = "x"'), 8, "arms[0].seriel", "is no key that is known", "did you mean serial?", id="unknown-key-of-an-arm"),
            pytest.param(LEAST.replace('name = "Ridgemoor Castings"\n', ""), 1, "plant.name", "is missing", "this key has no default", id="missing-key"),
            pytest.param(SHARE_KEY.format("settle = 120"), 6, "share.settle", "120 is no span of time", SPAN, id="wrong-type-number-for-span"),
            pytest.param(SHARE_KEY.format('settle = "soon"'), 6, "share.settle", "'soon' is no span of time", SPAN, id="no-span"),
            pytest.param(SHARE_KEY.format('settle = "-2m"'), 6, "share.settle", "'-2m' is no span of time", SPAN, id="negative-span"),
            pytest.param(SHARE_KEY.format('settle = "٣٠m"'), 6, "share.settle", "'٣٠m' is no span of time", SPAN, id="span-in-other-digits"),
            pytest.param(SHARE_KEY.format(f'settle = "{"9" * 30}y"'), 6, "share.settle", f"'{'9' * 30}y' is no span of time", SPAN, id="span-beyond-any-calendar"),
            pytest.param(LEAST + '[sign-off]\nnever = ["wrong-arm", "wrongarm"]\n', 9, "sign-off.never[1]", "'wrongarm' names no finding", NO_FINDING, id="no-finding"),
            pytest.param(LEAST + '[sign-off]\nnever = ["swap/no-backup"]\n', 9, "sign-off.never[0]", "'swap/no-backup' names no finding", NO_FINDING, id="no-action"),
            pytest.param(LEAST + '[sign-off]\nnever = ["/no-backup"]\n', 9, "sign-off.never[0]", "'/no-backup' names no finding", NO_FINDING, id="an-empty-action"),
            pytest.param(LEAST + '[service]\npoll = "0s"\n', 9, "service.poll", "'0s' is no time at all", "write a span above 0, such as 15m", id="no-time-between-polls"),
            pytest.param(LEAST + '[service]\nnightly = "24:00"\n', 9, "service.nightly", "'24:00' is no time of day", 'write one such as "05:30"', id="hour-24"),
            pytest.param(LEAST + "[report]\nat = 5\n", 9, "report.at", "5 is no time of day", 'write one such as "05:30"', id="time-of-day-as-a-number"),
            pytest.param(LEAST + "[warnings]\nlead-times = []\n", 9, "warnings.lead-times", "[] is no list of spans", 'write at least one, such as ["7d", "48h"]', id="no-lead-time"),
            pytest.param(LEAST + '[notify]\nwebhook = "ftp://x"\n', 9, "notify.webhook", "'ftp://x' is no web address", 'write one such as "https://alarms.example/guard"', id="webhook-by-another-protocol"),
            pytest.param(LEAST + '[notify]\nmail = { server = "mail", from = "a@b", to = "c@d" }\n', 9, "notify.mail.server", "'mail' is no host with a port", 'write one such as "mail.plant.example:587"', id="mail-server-without-port"),
            pytest.param(LEAST + '[notify]\nmail = { server = "m:25", from = "a, b@c", to = "c@d" }\n', 9, "notify.mail.from", "'a, b@c' is no mail address", 'write one such as "maintenance@plant.example"', id="two-senders"),
            pytest.param(LEAST + '[notify]\nmail = { server = "m:25", from = "a@b", to = [] }\n', 9, "notify.mail.to", "there is no address", 'write at least one, such as ["maintenance@plant.example"]', id="mail-to-nobody"),
            pytest.param(ARM_KEY.format('presence = "10.0.0.1:80"'), 8, "arms[0].presence", "'10.0.0.1:80' does not begin with tcp://", 'write one such as "tcp://10.20.0.17:8080"', id="presence-without-protocol"),
            pytest.param(ARM_KEY.format('presence = "tcp://10.0.0.1:0"'), 8, "arms[0].presence", "'10.0.0.1:0' is no host with a port", 'write one such as "mail.plant.example:587"', id="presence-port-0"),
            pytest.param(SHARE_KEY.format('settle = "off"'), 6, "share.settle", "'off' is no span of time", SPAN, id="off-where-there-is-none"),
            pytest.param(SHARE_KEY.format('copies = "second"'), 6, "share.copies", "'second' is no list", 'write a list, such as ["one", "two"]', id="text-for-list"),
            pytest.param(SHARE_KEY.format('copies = ["a", 2]'), 6, "share.copies[1]", "2 is no text", QUOTES, id="wrong-type-within-list"),
            pytest.param(SHARE_KEY.format('watch = "sometimes"'), 6, "share.watch", "'sometimes' is none of the choices", "write one of auto, events, poll", id="no-choice"),
            pytest.param(SHARE_KEY.format("watch = []"), 6, "share.watch", "[] is none of the choices", "write one of auto, events, poll", id="list-for-choice"),
            pytest.param(SHARE_KEY.format("copies-needed = true"), 6, "share.copies-needed", "True is no count", COUNT, id="bool-for-count"),
            pytest.param(SHARE_KEY.format("copies-needed = -1"), 6, "share.copies-needed", "-1 is no count", COUNT, id="negative-count"),
            pytest.param(SHARE_KEY.format("copies-needed = 1.0"), 6, "share.copies-needed", "1.0 is no count", COUNT, id="float-for-count"),
            pytest.param(SHARE_KEY.format("copies-needed = 0x" + "f" * 5000), 6, "share.copies-needed", "this int is no count", COUNT, id="count-beyond-printing"),
            pytest.param(ARM_KEY.format("ambient-c = nan"), 8, "arms[0].ambient-c", "nan is no number", NUMBER, id="nan"),
            pytest.param(ARM_KEY.format("ambient-c = -inf"), 8, "arms[0].ambient-c", "-inf is no number", NUMBER, id="infinity"),
            pytest.param(ARM_KEY.format("ambient-c = true"), 8, "arms[0].ambient-c", "True is no number", NUMBER, id="bool-for-number"),
            pytest.param(ARM_KEY.format("ambient-c = 1" + "0" * 400), 8, "arms[0].ambient-c", f"1{'0' * 79}… (401 characters) is no number", NUMBER, id="number-beyond-floats"),
            pytest.param(ARM_KEY.format("loss = { reteach-hours = -1 }"), 8, "arms[0].loss.reteach-hours", "-1 is below 0", "write a number, 0 or more", id="hours-below-nothing"),
            pytest.param(ARM_KEY.format("loss = { loss-hold = 0.2 }"), 8, "arms[0].loss.loss-hold", "is no key that is known", "the keys here are restore-hours, edit-hours, rebuild-hours, reteach-hours", id="a-limit-of-an-arm-of-its-own"),
            pytest.param(LEAST + "[loss]\nloss-hold = 0.6\n", 9, "loss.loss-hold", "0.6 is no chance up to one half", "write a number from 0 to 0.5, such as 0.01", id="chance-above-one-half"),
            pytest.param(ARM_KEY.format("powered-fraction = 1.01"), 8, "arms[0].powered-fraction", "1.01 is no fraction", FRACTION, id="fraction-above-one"),
            pytest.param(ARM_KEY.format("powered-fraction = -0.1"), 8, "arms[0].powered-fraction", "-0.1 is no fraction", FRACTION, id="negative-fraction"),
            pytest.param(ARM_KEY.format("powered-fraction = nan"), 8, "arms[0].powered-fraction", "nan is no number", NUMBER, id="fraction-nan"),
            pytest.param(CELL_TYPE_KEY.format("capacity-mah = 0"), 11, "cell-types.small.capacity-mah", "0 is not above 0", "write a number above 0", id="no-capacity"),
            pytest.param(CELL_TYPE_KEY.format("standby-ua = -20.0"), 11, "cell-types.small.standby-ua", "-20.0 is not above 0", "write a number above 0", id="negative-current"),
            pytest.param(CELL_TYPE_KEY.format("ageing-ev = 0"), 11, "cell-types.small.ageing-ev", "0 is not above 0", "write a number above 0", id="no-activation-energy"),
            pytest.param(CELL_TYPE_KEY.format("standby-doubles-every-c = -10"), 11, "cell-types.small.standby-doubles-every-c", "-10 is not above 0", "write a number above 0", id="doubles-the-colder-it-is"),
            pytest.param(CELL_TYPE_KEY.format('shelf-life = "0d"'), 11, "cell-types.small.shelf-life", "'0d' is no time at all", "write a span above 0, such as 15m", id="no-shelf-life"),
            pytest.param(CELL_TYPE_KEY.format("spread = { self-discharge = -0.3 }"), 11, "cell-types.small.spread.self-discharge", "-0.3 is no fraction", FRACTION, id="negative-spread"),
            pytest.param(CELL_TYPE_KEY.format("spread = 0.1"), 11, "cell-types.small.spread", "0.1 is no table", "write a table, such as { key = value }", id="number-for-table"),
            pytest.param(CELL_TYPE_KEY.format("spread = { capacity = 2 }"), 11, "cell-types.small.spread.capacity", "2 is no fraction", FRACTION, id="spread-above-one"),
            pytest.param(LEAST + '[cell-types.small]\nkind = "both"\ninterval = "4y"\n', 9, "cell-types.small.kind", "'both' is none of the choices", "write one of memory, position", id="cell-kind"),
            pytest.param(LEAST + "[cell-types]\nsmall = 5\n", 8, "cell-types", "is no table of tables", "write [cell-types.NAME]", id="cell-type-no-table"),
            pytest.param(LEAST + '[[arms]]\nid = "arm-01"\n', 9, "arms[1].id", "'arm-01' is there twice", "give each arm an id of its own", id="arm-twice"),
            pytest.param(LEAST.replace('"arm-01"', '"a/b"'), 7, "arms[0].id", "'a/b' cannot stand in a path", "use letters, digits, - _ and ., such as arm-07", id="id-with-slash"),
            pytest.param(LEAST.replace('"arm-01"', '".."'), 7, "arms[0].id", "'..' cannot stand in a path", "use letters, digits, - _ and ., such as arm-07", id="id-of-dots"),
            pytest.param(LEAST.replace('"arm-01"', "7"), 7, "arms[0].id", "7 is no text", QUOTES, id="id-as-number"),
            pytest.param(LEAST.replace('"arm-01"', '" "'), 7, "arms[0].id", "' ' is empty or holds control characters", "write plain text", id="id-blank"),
            pytest.param(ARM_KEY.format('name = "a\\u001b[2J"'), 8, "arms[0].name", "'a\\x1b[2J' is empty or holds control characters", "write plain text", id="control-characters"),
            pytest.param(ARM_KEY.format('recipe = "standart"'), 8, "arms[0].recipe", "'standart' is not defined", "did you mean standard?", id="unknown-recipe"),
            pytest.param(ARM_KEY.format('recipe = "xyz"'), 8, "arms[0].recipe", "'xyz' is not defined", "known are standard; more are written as [recipes.NAME]", id="unknown-recipe-far"),
            pytest.param(ARM_KEY.format('cells = [ { type = "memory-cel" } ]'), 8, "arms[0].cells[0].type", "'memory-cel' is not defined", "did you mean memory-cell?", id="unknown-cell-type"),
            pytest.param(ARM_KEY.format('cells = [ { type = "main-cell" } ]'), 8, "arms[0].cells[0].type", "'main-cell' is not defined", "known are memory-cell, position-cell; more are written as [cell-types.NAME]", id="unknown-cell-type-far"),
            pytest.param(ARM_KEY.format("cells = [ {} ]"), 8, "arms[0].cells[0].type", "is missing", "this key has no default", id="cell-without-type"),
            pytest.param(ARM_KEY.format('cells = ["memory-cell"]'), 8, "arms[0].cells", "['memory-cell'] is no list of cells", 'write [ { type = "memory-cell", installed = 2025-03-14 } ]', id="cells-as-texts"),
            pytest.param(ARM_KEY.format('cells = [ { type = "memory-cell", installed = "2025-03-14" } ]'), 8, "arms[0].cells[0].installed", "'2025-03-14' is no date", "write a date without quotes, such as 2025-03-14", id="date-in-quotes"),
            pytest.param(ARM_KEY.format('cells = [ { type = "memory-cell", installed = 2025-03-14T06:00:00 } ]'), 8, "arms[0].cells[0].installed", "datetime.datetime(2025, 3, 14, 6, 0) is no date", "write a date without quotes, such as 2025-03-14", id="date-with-hour"),
            pytest.param(SHARE_KEY.format('layout = "{any}/{taken:%Y%m%d}"'), 6, "share.layout[0]", "'{any}/{taken:%Y%m%d}' cannot tell arms apart", "put {arm} where the arm's id stands", id="layout-without-arm"),
            pytest.param(LEAST.replace("[[arms]]", 'layout = ["{arm}", "{arm}{any}"]\n[[arms]]'), 6, "share.layout[1]", "{arm}{any} in '{arm}{any}' cannot tell arms apart", "put a separator such as - or / between the two", id="layout-that-cannot-tell-arms-apart"),
            pytest.param(SHARE_KEY.format("layout = []"), 6, "share.layout", "there is no layout", 'write one, such as ["{arm}/{taken:%Y-%m-%d_%H%M}"]', id="no-layout"),
            pytest.param(SHARE_KEY.format("layout = 5"), 6, "share.layout", "5 is no list", 'write a list, such as ["one", "two"]', id="layout-number"),
            pytest.param(LEAST.replace("Europe/Berlin", "Europe/Berlim"), 3, "plant.timezone", "'Europe/Berlim' is no time zone that is known", 'write an IANA name, such as "Europe/Berlin"', id="unknown-zone"),
            pytest.param(LEAST.replace("Europe/Berlin", "../../etc/passwd"), 3, "plant.timezone", "'../../etc/passwd' is no time zone that is known", 'write an IANA name, such as "Europe/Berlin"', id="zone-that-is-a-path"),
            pytest.param(LEAST.replace("Europe/Berlin", "Europe"), 3, "plant.timezone", "'Europe' is no time zone that is known", 'write an IANA name, such as "Europe/Berlin"', id="zone-that-is-a-folder"),
            pytest.param(RECIPE_KEY.format("identity = { file = 's', pattern = '(' }"), 9, "recipes.standard.identity.pattern", "is no regular expression: missing ), unterminated subpattern at position 0", 'write one such as \'serial = "(?P<serial>[^"]+)"\'', id="unreadable-pattern"),
            pytest.param(LEAST + "[recipes.standard]\nidentity = { file = 's', pattern = '(?P<id>a{99999999999999})' }\n[recipes.standard.parts.programs]\nfiles = ['*']\n", 9, "recipes.standard.identity.pattern", "is no regular expression: the repetition number is too large", 'write one such as \'serial = "(?P<serial>[^"]+)"\'', id="pattern-that-overflows"),
            pytest.param(LEAST + "[recipes.standard]\nidentity = { file = 's', pattern = 'x=(.*)' }\n[recipes.standard.parts.programs]\nfiles = ['*']\n", 9, "recipes.standard.identity.pattern", "does not say what it finds", GROUP, id="identity-without-named-group"),
            pytest.param(LEAST + "[recipes.standard]\nidentity = { file = 's', pattern = '(?P<id>.)(?P<serial>.)' }\n[recipes.standard.parts.programs]\nfiles = ['*']\n", 9, "recipes.standard.identity.pattern", "does not say what it finds", GROUP, id="identity-with-two-groups"),
            pytest.param(LEAST + "[recipes.standard]\nidentity = { file = '../s', pattern = '(?P<id>.)' }\n[recipes.standard.parts.programs]\nfiles = ['*']\n", 9, "recipes.standard.identity.file", "'../s' leaves the set", "write it relative to the set, with /", id="identity-outside-the-set"),
            pytest.param(LEAST + "[recipes.standard]\nvolatile = ['history/**']\n", 8, "recipes.standard.parts", "is missing", "this key has no default", id="recipe-without-parts"),
            pytest.param(LEAST + "[recipes.standard]\nparts = {}\n", 9, "recipes.standard.parts", "has no part", "write [recipes.standard.parts.programs] and what belongs to it", id="empty-recipe"),
            pytest.param(LEAST + "[recipes.standard]\nparts = 'programs'\n", 9, "recipes.standard.parts", "'programs' is no table", "write a table, such as { key = value }", id="parts-no-table"),
            pytest.param(LEAST + "[recipes.standard.parts]\nprograms = ['*']\n", 9, "recipes.standard.parts.programs", "is no table", "write [recipes.standard.parts.programs]", id="part-no-table"),
            pytest.param(PART_KEY.format("at-least = 0"), 8, "recipes.standard.parts", "wants nothing: a set without any file would be complete", "give one part at-least = 1", id="recipe-that-wants-nothing"),
            pytest.param(LEAST + "[recipes.standard.parts.programs]\nfiles = []\n", 9, "recipes.standard.parts.programs.files", "there is no pattern", 'write at least one, such as ["programs/**"]', id="part-without-pattern"),
            pytest.param(LEAST + "[recipes.standard.parts.programs]\nfiles = ['a', '../b']\n", 9, "recipes.standard.parts.programs.files[1]", "'../b' leaves the set", "write it relative to the set, with /", id="pattern-outside-the-set"),
            pytest.param(PART_KEY.format('checks = { min-size = "16" }'), 10, "recipes.standard.parts.programs.checks.min-size", "'16' is no size", 'write one such as "16 B" "64 KiB" "2 MB" "1 GiB"', id="size-without-unit"),
            pytest.param(PART_KEY.format(f'checks = {{ min-size = "{"9" * 400} B" }}'), 10, "recipes.standard.parts.programs.checks.min-size", f"'{'9' * 79}… (404 characters) is no size", 'write one such as "16 B" "64 KiB" "2 MB" "1 GiB"', id="size-beyond-all"),
            pytest.param(PART_KEY.format("checks = { not-blank = 1 }"), 10, "recipes.standard.parts.programs.checks.not-blank", "1 is neither true nor false", "write true or false", id="number-for-bool"),
            pytest.param(PART_KEY.format('checks = { text = "utf-9" }'), 10, "recipes.standard.parts.programs.checks.text", "'utf-9' is no text encoding", 'write one such as "utf-8" or "latin-1"', id="unknown-encoding"),
            pytest.param(PART_KEY.format('checks = { text = "hex" }'), 10, "recipes.standard.parts.programs.checks.text", "'hex' is no text encoding", 'write one such as "utf-8" or "latin-1"', id="encoding-of-bytes"),
            pytest.param(PART_KEY.format('checks = { text = "undefined" }'), 10, "recipes.standard.parts.programs.checks.text", "'undefined' is no text encoding", 'write one such as "utf-8" or "latin-1"', id="encoding-that-reads-nothing"),
            pytest.param(PART_KEY.format('checks = { starts-with = "MEM" }'), 10, "recipes.standard.parts.programs.checks.starts-with", "'MEM' are no bytes", 'write them as hex digits, such as "4d 45 4d"', id="leading-bytes-no-hex"),
            pytest.param(LEAST.partition("[[arms]]")[0], None, "arms", "there is none", 'write [[arms]] with id = "arm-01", or arms-file = "arms.csv"', id="no-arms"),
            pytest.param("arms = []\n" + LEAST.partition("[[arms]]")[0], 1, "arms", "there is none", 'write [[arms]] with id = "arm-01", or arms-file = "arms.csv"', id="empty-list-of-arms"),
            pytest.param(LEAST.replace("[[arms]]", "[arms]"), 6, "arms", "is no list of tables", "write [[arms]] before each arm", id="arms-as-table"),
            pytest.param('fresh = "7d"\n' + LEAST, 1, "fresh", "is no table", "write [fresh]", id="fresh-as-text"),
            pytest.param("recipes = []\n" + LEAST, 1, "recipes", "is no table of tables", "write [recipes.NAME]", id="recipes-as-list"),
            pytest.param(LEAST.replace("path =", "path" + ".a" * 3000 + " ="), 5, "share.path", "this dict is no text", QUOTES, id="nested-deep-by-dots"),
            pytest.param("# \u2028 \x85 one line all the same\n" + SHARE_KEY.format('setle = "2m"'), 7, "share.setle", "is no key that is known", "did you mean settle?", id="line-after-odd-separators"),
        ],
    )  # fmt: skip
    def test_one_fault(self, text: str, line: int | None, key: str, wrong: str, right: str) -> None:
        assert faults(text) == [(line, key, wrong, right)]

    @pytest.mark.parametrize(
        ("text", "line", "wrong"),
        [
            pytest.param("[plant\n", 1, "this is no TOML: ", id="no-toml"),
            pytest.param(LEAST + "id = 'twice'\n", 8, "this is no TOML: ", id="key-twice"),
            pytest.param(LEAST + "when = 2025-02-30\n", 8, "this is no TOML: ", id="impossible-date"),
            pytest.param(b"[plant]\nname = 'a'\n# \xe4\n", 3, "the file is no UTF-8 text", id="no-utf-8"),
            pytest.param("x = " + "[" * 5000 + "]" * 5000, None, "this is no TOML: ", id="deep-lists"),
            pytest.param("x = " + "{a=" * 5000 + "1" + "}" * 5000, None, "this is no TOML: ", id="deep-tables"),
            pytest.param("x = " + "1" * 5000, None, "this is no TOML: ", id="number-of-5000-digits"),
        ],
    )
    def test_what_cannot_be_read_at_all(self, text: str | bytes, line: int | None, wrong: str) -> None:
        ((told_line, key, told, right),) = faults(text)

        assert (told_line, key) == (line, "")
        assert told.startswith(wrong)
        assert right in ("see the examples in config/", "save it as UTF-8")

    def test_all_faults_are_told_at_once(self) -> None:
        text = """[plant]
nam = "Ridgemoor"
timezone = "Mars/Olympus"
[share]
path = 5
settle = "2 minutes"
[fresh]
power-down = true
[[arms]]
id = "arm-01"
recipe = "other"
[[arms]]
name = "without id"
[[arms]]
id = "arm-01"
ambient-c = "hot"
"""
        told = faults(text)

        assert [(line, key) for line, key, _, _ in told] == [
            (2, "plant.nam"),
            (1, "plant.name"),
            (3, "plant.timezone"),
            (5, "share.path"),
            (6, "share.settle"),
            (8, "fresh.power-down"),
            (11, "arms[0].recipe"),
            (12, "arms[1].id"),
            (16, "arms[2].ambient-c"),
            (15, "arms[2].id"),
        ]

    def test_all_faults_of_one_list_are_told_at_once(self) -> None:
        text = LEAST.replace(
            "[[arms]]", 'layout = ["{any}", "{arm}", "{arm}/{day}"]\ncopies = [1, "second", 3]\n[[arms]]'
        )
        text += """[recipes.standard]
volatile = ["../a", "history/**", "/b"]
[recipes.standard.parts.programs]
files = ["*"]
[sign-off]
never = ["no-backup", "nonsense", "lunch/no-backup"]
[warnings]
lead-times = ["0s", "7d", "soon"]
"""
        assert [key for _, key, _, _ in faults(text)] == [
            "share.layout[0]",
            "share.layout[2]",
            "share.copies[0]",
            "share.copies[2]",
            "sign-off.never[1]",
            "sign-off.never[2]",
            "warnings.lead-times[0]",
            "warnings.lead-times[2]",
            "recipes.standard.volatile[0]",
            "recipes.standard.volatile[2]",
        ]

    def test_an_empty_file_lacks_everything(self) -> None:
        assert [key for _, key, _, _ in faults("")] == ["plant.name", "plant.timezone", "share.path", "arms"]

    def test_the_command_line_tells_each_with_file_line_and_remedy(self, plant: Plant) -> None:
        plant.config.write_text(SHARE_KEY.format('setle = "2m"\ncopies-needed = -1'))

        done = plant.run("fleet")

        assert (done.code, done.out) == (2, "")
        assert done.err.splitlines() == [
            "The configuration has 2 faults; put right and try again:",
            f"{plant.config}:6: share.setle: is no key that is known; did you mean settle?",
            f"{plant.config}:7: share.copies-needed: -1 is no count; write a whole number, 0 or more",
        ]

    def test_a_file_that_is_missing(self, tmp_path: Path) -> None:
        with pytest.raises(ConfigMissing, match=r"guard survey SHARE shows a proposal"):
            load(str(tmp_path / "guard.toml"))

    @runs(max_examples=200)
    @given(st.binary(max_size=300) | st.text(max_size=300).map(lambda text: text.encode("utf-8", "replace")))
    def test_any_text_is_understood_or_refused(self, text: bytes) -> None:
        with pytest.raises(ConfigFaults):
            parse("/x/guard.toml", text)

    @runs(max_examples=200)
    @given(
        st.sampled_from([line for line in EXAMPLE.splitlines() if "=" in line]),
        st.sampled_from(
            [
                "true",
                "nan",
                "-inf",
                "-1",
                "1e400",
                "0x" + "f" * 400,
                '""',
                "[]",
                "{}",
                "[[]]",
                "1979-05-27",
                "'\\'",
                "9" * 20,
            ]
        ),
    )
    def test_any_value_anywhere_is_understood_or_refused(self, line: str, value: str) -> None:
        key = line.partition("=")[0]
        text = EXAMPLE.replace(line, f"{key}= {value}", 1)
        try:
            settings = parsed(text)
        except ConfigFaults as refusal:
            told = refusal.faults
        else:
            told = []
            assert json.loads(json.dumps(settings.limits, default=str, allow_nan=False))
        assert all(fault.wrong and fault.right for fault in told)


class TestArmsFile:
    TOML = 'arms-file = "arms.csv"\n' + LEAST.partition("[[arms]]")[0]

    @pytest.fixture
    def folder(self, tmp_path: Path) -> Path:
        (tmp_path / "guard.toml").write_text(self.TOML)
        return tmp_path

    def load(self, folder: Path, content: str | bytes) -> Settings:
        (folder / "arms.csv").write_bytes(content if isinstance(content, bytes) else content.encode())
        return load(str(folder / "guard.toml"))

    def faults(self, folder: Path, content: str | bytes) -> list[tuple[str, int | None, str, str]]:
        with pytest.raises(ConfigFaults) as refusal:
            self.load(folder, content)
        return [
            (Path(fault.file).name, fault.line, fault.key, fault.wrong.replace(f"{folder}/", ""))
            for fault in refusal.value.faults
        ]

    def test_a_row_says_what_a_table_says(self, folder: Path) -> None:
        rows = (
            "id,name,area,serial,recipe,cells,powered-fraction,ambient-c\n"
            'arm-07,"Fettling cell, left",finishing,RC-4471,standard,'
            "memory-cell 2025-03-14; position-cell 2026-01-10,0.85,30\n"
        )

        assert self.load(folder, rows).arms == parsed(EXAMPLE).arms

    @pytest.mark.parametrize(
        "content",
        [
            pytest.param("id,area\narm-01,weld\narm-02,\n", id="plain"),
            pytest.param("\ufeffid,area\narm-01,weld\narm-02,\n", id="byte-order-mark"),
            pytest.param("id;area\narm-01;weld\narm-02;\n", id="semicolons"),
            pytest.param("\ufeffid;area\r\narm-01;weld\r\narm-02;\r\n", id="as-spreadsheets-save-it"),
            pytest.param("id,area\rarm-01,weld\rarm-02,\r", id="carriage-returns-alone"),
            pytest.param("area , id\n weld, arm-01 \n,arm-02", id="other-order-and-spaces"),
            pytest.param("id,area\n\narm-01,weld\n,\narm-02\n", id="empty-and-short-rows"),
        ],
    )
    def test_how_it_may_be_written(self, folder: Path, content: str) -> None:
        assert self.load(folder, content).arms == {
            "arm-01": Arm("arm-01", "arm-01", "weld"),
            "arm-02": Arm("arm-02", "arm-02"),
        }

    def test_cells_may_lack_their_day(self, folder: Path) -> None:
        arms = self.load(folder, "id;cells\narm-01;memory-cell|position-cell 2026-01-10\n").arms

        assert arms["arm-01"].cells == (Cell("memory-cell"), Cell("position-cell", date(2026, 1, 10)))

    def test_arms_of_both_places_are_there(self, folder: Path) -> None:
        (folder / "guard.toml").write_text('arms-file = "arms.csv"\n' + LEAST)

        assert list(self.load(folder, "id\narm-02\n").arms) == ["arm-01", "arm-02"]

    @pytest.mark.parametrize(
        ("content", "wrong"),
        [
            pytest.param("", "the header of arms.csv has no id", id="empty"),
            pytest.param("name,area\na,b\n", "the header of arms.csv has no id", id="header-without-id"),
            pytest.param("id,colour\na,b\n", "the header of arms.csv has 'colour'", id="unknown-name"),
            pytest.param("arm-01,weld\n", "the header of arms.csv has 'arm-01', 'weld'", id="no-header"),
            pytest.param("id,area,area\na,b,c\n", "the header of arms.csv has 'area' twice", id="name-twice"),
            pytest.param(b"id,area\narm-01,gie\xdferei\n", "arms.csv is no UTF-8 text", id="no-utf-8"),
            pytest.param(
                "id\n" + "x" * 200_000,
                "arms.csv is no CSV: field larger than field limit (131072) in line 2",
                id="no-csv",
            ),
        ],
    )
    def test_what_cannot_be_read_as_one(self, folder: Path, content: str | bytes, wrong: str) -> None:
        assert self.faults(folder, content) == [("guard.toml", 1, "arms-file", wrong)]

    def test_one_that_is_missing(self, folder: Path) -> None:
        with pytest.raises(ConfigFaults) as refusal:
            load(str(folder / "guard.toml"))

        (fault,) = refusal.value.faults
        assert (fault.line, fault.key) == (1, "arms-file")
        assert fault.wrong == f"{folder}/arms.csv cannot be read: No such file or directory"
        assert fault.right == "name the CSV file with the arms"

    @pytest.mark.parametrize(
        ("rows", "key", "wrong"),
        [
            pytest.param("arm-01,weld,\narm-01,,", "id", "'arm-01' is there twice", id="arm-twice"),
            pytest.param("arm-01,,\n,weld,", "id", "is missing", id="no-id"),
            pytest.param("arm-01,,\narm/02,,", "id", "'arm/02' cannot stand in a path", id="bad-id"),
            pytest.param("a1,,\na2,,memory-cell 2025-13-01", "cells[0].installed", "'2025-13-01' is no date", id="bad-day"),
            pytest.param("a1,,\na2,,memory-cel 2025-03-14", "cells[0].type", "'memory-cel' is not defined", id="bad-cell"),
            pytest.param("a1,,\na2,,,9", "", "'9' stands in no column of the header", id="more-cells-than-header"),
            pytest.param("a1,,\na2,Fettling, left,x", "", "'x' stands in no column of the header", id="comma-unquoted"),
            pytest.param('a1,,\n"a2","we\nld",', "area", "'we\\nld' is empty or holds control characters", id="line-break-in-cell"),
        ],
    )  # fmt: skip
    def test_a_bad_cell_is_told_with_its_own_file_and_line(self, folder: Path, rows: str, key: str, wrong: str) -> None:
        told = self.faults(folder, f"id,area,cells\n{rows}\n")

        line = 4 if "\n" in rows.partition("\n")[2] else 3
        assert ("arms.csv", line, key, wrong) in told
        assert {(file, place) for file, place, _, _ in told} == {("arms.csv", line)}

    @pytest.mark.parametrize(
        ("key", "value"), [("powered-fraction", "0,85"), ("ambient-c", "nan"), ("ambient-c", "hot")]
    )
    def test_a_number_that_is_none(self, folder: Path, key: str, value: str) -> None:
        shown = "nan" if value == "nan" else repr(value)

        assert self.faults(folder, f"id;{key}\narm-01;{value}\n") == [("arms.csv", 2, key, f"{shown} is no number")]


def _table(keys: dict[str, st.SearchStrategy[Any]]) -> st.SearchStrategy[dict[str, Any]]:
    return st.fixed_dictionaries({}, optional=keys)


SPANS = st.builds("{}{}".format, st.integers(0, 500), st.sampled_from("smhdwy"))
SIZES = st.builds("{} {}".format, st.integers(0, 5000), st.sampled_from(["B", "kB", "KiB", "MB", "MiB", "GB", "GiB"]))
SOME_SPANS = st.builds("{}{}".format, st.integers(1, 500), st.sampled_from("smhdwy"))
TIMES_OF_DAY = st.builds("{:02}:{:02}".format, st.integers(0, 23), st.integers(0, 59))
FRACTIONS = st.floats(0, 1)
TEXTS = st.text(st.characters(codec="utf-8", exclude_categories=["C", "Z"]), min_size=1, max_size=12)
ADDRESSES = st.sampled_from(["guard@plant.example", "maintenance@plant.example"])
MAILS = st.fixed_dictionaries(
    {
        "server": st.sampled_from(["mail.plant.example:587", "[::1]:25"]),
        "from": ADDRESSES,
        "to": st.lists(ADDRESSES, min_size=1, max_size=3),
    },
    optional={"tls": st.sampled_from(["starttls", "tls", "none"]), "user": TEXTS, "password-file": TEXTS},
)
IDS = st.text(string.ascii_letters + string.digits + "äЖ_", min_size=1, max_size=8)
COUNTS = st.integers(0, 1000)
GLOBS = st.lists(st.sampled_from(["programs/**", "*.bin", "a/b?.txt", "ä*"]), min_size=1, max_size=3)
PARTS = st.fixed_dictionaries(
    {"files": GLOBS},
    optional={
        "at-least": st.integers(1, 9),
        "checks": _table(
            {
                "min-size": SIZES,
                "max-size": SIZES,
                "not-blank": st.booleans(),
                "starts-with": st.binary(min_size=1, max_size=6).map(bytes.hex),
                "text": st.sampled_from(["utf-8", "latin-1", "utf-16"]),
            }
        ),
    },
)
HOLD_UPS = st.fixed_dictionaries(
    {
        "capacitance-f": st.floats(1e-6, 100),
        "charged-v": st.floats(3, 12),
        "least-v": st.floats(0.1, 2.9),
        "time-constant-s": st.floats(1e-3, 1e6),
        "current-ua": st.floats(1e-3, 1e6),
        "leakage-ua": st.floats(0, 1e3),
    },
    optional={
        "doubles-every-c": st.floats(1, 100),
        "series-resistance-ohm": st.floats(0, 1e3),
        "tolerance": FRACTIONS,
        "ageing": FRACTIONS,
    },
)
COSTS = _table(dict.fromkeys(["restore-hours", "edit-hours", "rebuild-hours", "reteach-hours"], st.floats(0, 1e6)))
RECIPES = st.fixed_dictionaries(
    {"parts": st.dictionaries(IDS, PARTS, min_size=1, max_size=3)},
    optional={
        "hold-up": HOLD_UPS,
        "loss": COSTS,
        "volatile": GLOBS,
        "identity": st.sampled_from(["serial", "id", "name"]).map(
            lambda field: {"file": "settings.toml", "pattern": rf'x = "(?P<{field}>[^"\\]+)"'}
        ),
    },
)
CELL_TYPES = st.fixed_dictionaries(
    {"kind": st.sampled_from(["memory", "position"]), "interval": SPANS},
    optional={
        "capacity-mah": st.floats(0.001, 1e6),
        "usable": FRACTIONS,
        "self-discharge-per-year": FRACTIONS,
        "standby-ua": st.floats(0.001, 1e6),
        "standby-doubles-every-c": st.floats(0.001, 1000),
        "ageing-ev": st.floats(0.001, 10),
        "shelf-life": SOME_SPANS,
        "spread": _table({"capacity": FRACTIONS, "standby": FRACTIONS, "self-discharge": FRACTIONS}),
    },
)
ARMS = st.fixed_dictionaries(
    {"id": IDS},
    optional={
        "name": TEXTS,
        "area": TEXTS,
        "serial": TEXTS,
        "cells": st.lists(
            st.fixed_dictionaries({"type": st.just("memory-cell")}, optional={"installed": st.dates()}), max_size=3
        ),
        "powered-fraction": FRACTIONS,
        "ambient-c": st.floats(-300, 300),
        "hold-up": HOLD_UPS,
        "loss": COSTS,
    },
)
CALENDAR_RULES = st.fixed_dictionaries(
    {"summary": st.sampled_from(["shut ?down", "^works"]), "kind": st.sampled_from(["power-down", "none"])},
    optional={"categories": st.just("plant"), "location": st.just("hall [34]"), "arms": st.just(["*"])},
)
CONFIGURATIONS = st.fixed_dictionaries(
    {
        "plant": st.fixed_dictionaries(
            {"name": TEXTS, "timezone": st.sampled_from(["Europe/Berlin", "UTC", "America/New_York"])}
        ),
        "share": st.fixed_dictionaries(
            {"path": TEXTS},
            optional={
                "layout": st.lists(st.sampled_from(["{arm}/{any}", "{taken:%Y%m%d}/{arm}"]), min_size=1, max_size=2),
                "settle": SPANS,
                "watch": st.sampled_from(["auto", "events", "poll"]),
                "copies": st.lists(TEXTS, max_size=2),
                "copies-needed": COUNTS,
                "unseen-after": SPANS,
            },
        ),
        "arms": st.lists(ARMS, min_size=1, max_size=4, unique_by=lambda arm: arm["id"]),
    },
    optional={
        "fresh": _table(dict.fromkeys(["power-down", "memory-swap", "position-swap", "service-visit"], SPANS)),
        "loss": _table(
            {"charge-caution": FRACTIONS, "loss-hold": st.floats(0, 0.5), "restore-hours": st.floats(0, 1e6)}
        ),
        "proof": _table({"read-back-within": SPANS, "restore-test-within": SPANS | st.just("off")}),
        "limits": _table(
            {"parts-apart": SPANS, "shrink": FRACTIONS, "archive-members": COUNTS, "archive-content": SIZES}
        ),
        "sign-off": _table({"never": st.lists(st.sampled_from(("wrong-arm", "memory-swap/no-backup")), max_size=2)}),
        "window": _table({"limit": SPANS, "closing": FRACTIONS, "powered-before": SPANS}),
        "service": _table(
            {"reconcile": SOME_SPANS, "poll": SOME_SPANS, "nightly": TIMES_OF_DAY, "read-back-budget": SIZES}
        ),
        "report": _table({"at": TIMES_OF_DAY, "keep": SOME_SPANS}),
        "warnings": _table(
            {
                "lead-times": st.lists(SOME_SPANS, min_size=1, max_size=3),
                "repeat": SOME_SPANS,
                "sheets-on-share": st.booleans(),
            }
        ),
        "visit": _table({"steps": TEXTS}),
        "calendar": _table(
            {
                "watch": st.lists(TEXTS, max_size=2),
                "horizon": SOME_SPANS,
                "most": COUNTS,
                "largest": SIZES,
                "rules": st.lists(CALENDAR_RULES, max_size=2),
            }
        ),
        "notify": _table({"mail": MAILS, "webhook": st.just("https://alarms.example/guard"), "apprise-file": TEXTS}),
        "keep": _table({"all-for": SPANS, "daily": COUNTS, "yearly": COUNTS, "grace": SPANS}),
        "recipes": st.dictionaries(IDS, RECIPES, min_size=1, max_size=2),
        "cell-types": st.dictionaries(IDS, CELL_TYPES, min_size=1, max_size=2),
    },
)


def toml(value: Any) -> str:
    """A value as TOML, tables inline."""
    if isinstance(value, dict):
        return "{" + ", ".join(f"{json.dumps(key)} = {toml(item)}" for key, item in value.items()) + "}"
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    if isinstance(value, date):
        return value.isoformat()
    return json.dumps(value, ensure_ascii=False)


def document(configuration: dict[str, Any]) -> str:
    return "".join(f"{key} = {toml(value)}\n" for key, value in configuration.items())


class TestKeptCopy:
    """The settings of a text are kept for the next question; only exactly that text finds them again."""

    @pytest.fixture
    def config(self, tmp_path: Path) -> Path:
        (tmp_path / "state").mkdir()
        path = tmp_path / "guard.toml"
        path.write_text(EXAMPLE)
        return path

    def test_it_is_kept_and_found_again(self, config: Path) -> None:
        first = load(str(config))

        assert kept.find(str(config), config.read_bytes()) == first
        assert load(str(config)) == first == parsed(EXAMPLE, str(config.parent))

    @runs(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None)
    @given(CONFIGURATIONS)
    def test_what_comes_back_is_what_was_read(self, config: Path, configuration: dict[str, Any]) -> None:
        config.write_text(document(configuration), encoding="utf-8")

        first = load(str(config))
        found = kept.find(str(config), config.read_bytes())

        assert found == first
        assert found is not None
        assert found._replace(arms=dict(found.arms)) == parse(str(config), config.read_bytes())[0]
        assert list(found.arms) == [arm["id"] for arm in configuration["arms"]]

    def test_a_changed_text_is_read_anew(self, config: Path) -> None:
        load(str(config))
        config.write_text(EXAMPLE.replace('power-down = "7d"', 'power-down = "8d"'))

        assert load(str(config)).limits.fresh_for("power-down") == 8 * DAY

    def test_a_text_that_became_wrong_is_refused(self, config: Path) -> None:
        load(str(config))
        config.write_text(EXAMPLE + "colour = 'red'\n")

        with pytest.raises(ConfigFaults):
            load(str(config))

    def test_a_text_that_is_gone_is_missed(self, config: Path) -> None:
        load(str(config))
        config.unlink()

        with pytest.raises(ConfigMissing):
            load(str(config))

    def test_a_changed_arms_file_is_read_anew(self, config: Path) -> None:
        arms = config.parent / "arms.csv"
        config.write_text('arms-file = "arms.csv"\n' + LEAST)
        arms.write_text("id\narm-02\n")
        assert list(load(str(config)).arms) == ["arm-01", "arm-02"]

        arms.write_text("id\narm-03\n")
        assert list(load(str(config)).arms) == ["arm-01", "arm-03"]

        arms.unlink()
        with pytest.raises(ConfigFaults):
            load(str(config))

    def test_a_line_that_moves_from_one_file_to_the_other_changes_both(self, config: Path) -> None:
        """Kept one after the other, both texts together are the same bytes before and after."""
        arms = config.parent / "arms.csv"
        text = 'arms-file = "arms.csv"\n' + LEAST + "#"
        config.write_text(text)
        arms.write_text("\nid\narm-02\n"[1:])
        load(str(config))
        config.write_text(text + "id\n")
        arms.write_text("arm-02\n")

        with pytest.raises(ConfigFaults):
            load(str(config))

    def test_what_another_version_kept_is_read_anew(self, config: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        load(str(config))
        monkeypatch.setattr(kept, "__version__", "0.0.0")

        assert kept.find(str(config), config.read_bytes()) is None
        assert load(str(config)) == parsed(EXAMPLE, str(config.parent))

    def test_another_configuration_in_the_same_state_folder_is_never_taken(self, config: Path) -> None:
        other = config.parent / "other.toml"
        other.write_text(EXAMPLE.replace('id = "arm-07"', 'id = "arm-08"'))
        same_text = config.parent / "below" / "guard.toml"
        same_text.parent.mkdir()
        same_text.write_text(EXAMPLE.replace('"state"', '"../state"'))
        for path in (config, other, same_text, other, config, same_text):
            assert list(load(str(path)).arms) == ["arm-08" if path == other else "arm-07"]
            assert load(str(path)).share == str(path.parent / "share")

    def test_the_same_text_in_two_folders_is_two_configurations(self, config: Path, tmp_path: Path) -> None:
        """Relative paths in it begin at each one's own folder."""
        shared = EXAMPLE.replace('state = "state"', f'state = "{tmp_path / "state"}"')
        elsewhere = tmp_path / "elsewhere" / "guard.toml"
        elsewhere.parent.mkdir()
        for path in (config, elsewhere):
            path.write_text(shared)

        assert load(str(config)).share == str(tmp_path / "share")
        assert load(str(elsewhere)).share == str(tmp_path / "elsewhere" / "share")

    @pytest.mark.parametrize(
        "content",
        [
            pytest.param(b"", id="empty"),
            pytest.param(b"\n" * 3, id="blank-lines"),
            pytest.param(b"00000000\n", id="checksum-alone"),
            pytest.param(b"[]\n[]\n", id="lists"),
            pytest.param(b"{}\n", id="empty-table"),
            pytest.param(b"[" * 100_000, id="nested-deep"),
            pytest.param(b"\xff\xfe\x00", id="bytes"),
        ],
    )
    def test_what_is_no_kept_copy_is_not_used(self, config: Path, content: bytes) -> None:
        load(str(config))
        (config.parent / "state" / kept.KEPT_NAME).write_bytes(content)

        assert load(str(config)) == parsed(EXAMPLE, str(config.parent))

    @pytest.mark.parametrize("flip", [1, 0x20])
    def test_a_kept_copy_with_one_changed_byte_is_not_used(self, config: Path, flip: int) -> None:
        """A limit of 7 days may not become one of 9, and an arm's line may not stop the answer."""
        load(str(config))
        copy = config.parent / "state" / kept.KEPT_NAME
        whole, text = copy.read_bytes(), config.read_bytes()
        right = parsed(EXAMPLE, str(config.parent))
        for place in range(flip, len(whole) - 1, 11):
            copy.write_bytes(whole[:place] + bytes([whole[place] ^ flip]) + whole[place + 1 :])
            found = kept.find(str(config), text)
            assert found is None or found._replace(arms=dict(found.arms)) == right, place

    @pytest.mark.parametrize("part", [0.1, 0.5, 0.9, 0.99])
    def test_a_kept_copy_that_was_cut_off_is_not_used(self, config: Path, part: float) -> None:
        load(str(config))
        copy = config.parent / "state" / kept.KEPT_NAME
        whole = copy.read_bytes()
        copy.write_bytes(whole[: int(len(whole) * part)])

        assert kept.find(str(config), config.read_bytes()) is None
        assert load(str(config)) == parsed(EXAMPLE, str(config.parent))

    def test_without_a_state_folder_it_goes_without(self, tmp_path: Path) -> None:
        config = tmp_path / "guard.toml"
        config.write_text(EXAMPLE)

        assert load(str(config)) == load(str(config))
        assert list(tmp_path.iterdir()) == [config]


class TestWhereItIsFound:
    """``--config FILE``, else ``$GUARD_CONFIG``, else ``guard.toml`` in the working directory."""

    @pytest.fixture
    def places(self, tmp_path: Path) -> Path:
        for name in ("option", "variable", "here"):
            (tmp_path / f"{name}.toml").write_text(LEAST.replace("Ridgemoor Castings", name))
        (tmp_path / "here.toml").rename(tmp_path / "guard.toml")
        (tmp_path / "empty").mkdir()
        return tmp_path

    @pytest.mark.parametrize(
        ("words", "variable", "found"),
        [
            pytest.param(["--config", "option.toml", "fleet"], "variable.toml", "option", id="before-the-command"),
            pytest.param(["--config=option.toml", "fleet"], "variable.toml", "option", id="before-with-equals"),
            pytest.param(["fleet", "--config", "option.toml"], "variable.toml", "option", id="after-the-command"),
            pytest.param(["fleet", "--config=option.toml"], "variable.toml", "option", id="after-with-equals"),
            pytest.param(
                ["--config", "variable.toml", "fleet", "--config", "option.toml"],
                "guard.toml",
                "option",
                id="the-last-one",
            ),
            pytest.param(["fleet"], "variable.toml", "variable", id="variable"),
            pytest.param(["fleet"], "", "here", id="working-directory"),
        ],
    )
    def test_order(self, plant: Plant, places: Path, words: list[str], variable: str, found: str) -> None:
        done = plant.run(*words, env={"GUARD_CONFIG": variable}, cwd=places)

        assert done.out.partition(":")[0] == found, done

    @pytest.mark.parametrize(
        ("words", "variable", "missed"),
        [
            (["fleet", "--config", "nowhere.toml"], "../variable.toml", "nowhere.toml"),
            (["fleet"], "nowhere.toml", "nowhere.toml"),
            (["fleet"], "", "guard.toml"),
        ],
    )
    def test_one_that_was_named_and_is_missing_is_no_reason_to_take_another(
        self, plant: Plant, places: Path, words: list[str], variable: str, missed: str
    ) -> None:
        done = plant.run(*words, env={"GUARD_CONFIG": variable}, cwd=places / "empty")

        assert (done.code, done.out) == (2, "")
        assert done.err.startswith(f"No configuration at {places / 'empty' / missed}. Give one with --config FILE")
