"""The kept copy of the settings serves for exactly the text that it came from, and gives the same settings."""

from __future__ import annotations

import json
import string
from datetime import date
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
from tests.test_config import DAY, EXAMPLE, LEAST, parsed


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

    @runs(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
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
