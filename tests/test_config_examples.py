"""The examples in config/ load, and the full one leaves out no key that the tool knows."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from guard import config_keys as config
from guard.load import load

EXAMPLES = Path(__file__).parent.parent / "config"
PLANT = EXAMPLES / "plant.toml"

ONLY_TOLD = {"arms-file"}
"""Keys that a comment names, since using them would need a further file."""

TABLES = {
    "plant": config.PLANT,
    "share": config.SHARE,
    "fresh": config.FRESH,
    "proof": config.PROOF,
    "limits": config.LIMITS,
    "window": config.WINDOW,
    "loss": config.LOSS,
    "keep": config.KEEP,
    "service": config.SERVICE,
    "report": config.REPORT,
    "warnings": config.WARNINGS,
    "visit": config.VISIT,
    "notify": config.NOTIFY,
    "calendar": config.CALENDAR,
}
"""The tables of which there is one; every other table repeats or has a name of its own."""


def _parts(document: dict[str, Any]) -> list[dict[str, Any]]:
    return [part for recipe in document["recipes"].values() for part in recipe["parts"].values()]


def _some(tables: Any, key: str) -> list[dict[str, Any]]:
    return [table[key] for table in tables if key in table]


@pytest.fixture(scope="module")
def document() -> dict[str, Any]:
    return tomllib.loads(PLANT.read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", [path.name for path in sorted(EXAMPLES.glob("*.toml")) if path.name != "visit.toml"])
def test_an_example_loads(name: str) -> None:
    settings = load(str(EXAMPLES / name))

    assert "arm-07" in settings.arms


def test_the_minimal_example_has_the_documented_defaults() -> None:
    settings = load(str(EXAMPLES / "minimal.toml"))

    assert settings.layouts == ("{arm}/{taken:%Y-%m-%d_%H%M}",)
    assert settings.settle == timedelta(minutes=2)
    assert settings.limits.fresh_for("power-down") == timedelta(days=7)
    assert settings.limits.unseen_after == timedelta(hours=26)
    assert settings.recipe_of("arm-07").name == "standard"


def test_the_full_example_has_every_table(document: dict[str, Any]) -> None:
    assert document.keys() == set(config.TOP) - ONLY_TOLD
    for key in ONLY_TOLD:
        assert re.search(rf"^# {key} = ", PLANT.read_text(encoding="utf-8"), re.MULTILINE)


@pytest.mark.parametrize("table", TABLES)
def test_the_full_example_has_every_key_of_a_table(document: dict[str, Any], table: str) -> None:
    assert document[table].keys() == TABLES[table].keys()


@pytest.mark.parametrize(
    ("pick", "keys"),
    [
        pytest.param(lambda d: d["recipes"].values(), config.RECIPE, id="recipe"),
        pytest.param(lambda d: _some(d["recipes"].values(), "identity"), config.IDENTITY, id="identity"),
        pytest.param(_parts, config.PART, id="part"),
        pytest.param(lambda d: _some(_parts(d), "checks"), config.CHECKS, id="checks"),
        pytest.param(lambda d: d["cell-types"].values(), config.CELL_TYPE, id="cell-type"),
        pytest.param(lambda d: _some(d["cell-types"].values(), "spread"), config.SPREAD, id="spread"),
        pytest.param(lambda d: d["arms"], config.ARM, id="arm"),
        pytest.param(
            lambda d: [*_some(d["recipes"].values(), "hold-up"), *_some(d["arms"], "hold-up")],
            config.HOLD_UP,
            id="hold-up",
        ),
        pytest.param(lambda d: [d["notify"]["mail"]], config.MAIL, id="mail"),
        pytest.param(lambda d: d["calendar"]["rules"], config.CALENDAR_RULE, id="calendar-rule"),
        pytest.param(lambda d: _some([*d["recipes"].values(), *d["arms"]], "loss"), config.COSTS, id="loss-of-its-own"),
        pytest.param(lambda d: [cell for arm in d["arms"] for cell in arm["cells"]], config.CELL, id="cell"),
    ],
)
def test_the_full_example_has_every_key_of_what_repeats(
    document: dict[str, Any], pick: Any, keys: Mapping[str, Any]
) -> None:
    assert {key for each in pick(document) for key in each} == keys.keys()


def test_every_table_of_keys_is_compared_here() -> None:
    """A table that is added to the configuration must find its way into the example."""
    known = {name for name, value in vars(config).items() if _is_table_of_keys(value)}

    assert known == {
        *("PLANT", "SHARE", "FRESH", "PROOF", "LIMITS", "WINDOW", "SIGN_OFF", "LOSS", "COSTS", "KEEP"),
        *("SERVICE", "REPORT", "WARNINGS", "VISIT", "NOTIFY", "MAIL"),
        *("CALENDAR", "CALENDAR_RULE"),
        *("RECIPE", "IDENTITY", "PART", "CHECKS", "CELL_TYPE", "SPREAD", "ARM", "CELL", "HOLD_UP"),
    }


def _is_table_of_keys(value: object) -> bool:
    return isinstance(value, dict) and bool(value) and all(isinstance(key, config.Key) for key in value.values())


def test_a_value_told_as_the_default_is_the_default(document: dict[str, Any]) -> None:
    """Where the comment does not say that a value is an example, leaving the key out changes nothing."""
    told = PLANT.read_text(encoding="utf-8")
    for name in ("fresh", "proof", "limits", "window", "loss", "keep", "service", "report"):
        for key, raw in document[name].items():
            assert f"{key} = " in told
            assert TABLES[name][key].read(raw) == TABLES[name][key].default
    for key in ("horizon", "most", "largest"):
        assert config.CALENDAR[key].read(document["calendar"][key]) == config.CALENDAR[key].default
    for key in ("settle", "watch", "unseen-after"):
        assert config.SHARE[key].read(document["share"][key]) == config.SHARE[key].default
