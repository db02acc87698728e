"""The configuration: what it says is what is understood, and every fault in it is told at once."""

from __future__ import annotations

import json
from datetime import date, timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import settings as runs
from hypothesis import strategies as st

from guard.config import parse
from guard.errors import ConfigFaults, ConfigMissing, ConfigUnreadable
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
            pytest.param(SHARE_KEY.format('settle = "10001y"'), 6, "share.settle", "'10001y' is no span of time", SPAN, id="a-year-more-than-any-calendar"),
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
            pytest.param(LEAST.replace("path =", "path" + ".a" * 3000 + " ="), 5, "", "this is no TOML: a key of more than 32 names (at line 5)", "see the examples in config/", id="nested-deep-by-dots"),
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
        (tmp_path / "file").write_bytes(b"")
        with pytest.raises(ConfigMissing):
            load(str(tmp_path / "file" / "guard.toml"))

    def test_one_that_is_there_and_cannot_be_read_is_not_called_missing(self, tmp_path: Path) -> None:
        (tmp_path / "guard.toml").mkdir()
        with pytest.raises(ConfigUnreadable, match=r"guard\.toml cannot be read: (Is a directory|Permission denied)\."):
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
