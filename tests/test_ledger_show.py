"""`guard ledger show` for people: one sentence an entry, whatever stands in it."""

from __future__ import annotations

import sqlite3
from datetime import UTC, timedelta
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from guard.store.encoding import canonical
from guard.tell.entries import sentence
from tests.plant import Plant


def test_a_real_ledger_reads_as_sentences(tmp_path: Path) -> None:
    plant = Plant(tmp_path / "plant")
    path = plant.save("arm-07")
    plant.save("arm-09", timedelta(days=9))
    plant.ready()
    plant.run("ask", "--all")
    plant.run("mark", "edit", "arm-07", "--by", "Ana", "--note", "new seam")
    plant.run("sign-off", "arm-09", "--finding", "stale-backup", "--by", "Ben", "--why", "spare", "--until", "in 1d")
    plant.run("report", "--out", str(tmp_path / "out"))
    (plant.share / path / "memory.bin").unlink()
    plant.look()
    plant.prove()
    shown = plant.run("ledger", "show", "--last", "0")
    assert (shown.code, shown.err) == (0, "")
    assert "{" not in shown.out
    for told in (
        "The share was identified.",
        ": complete",
        "arm-09 hold (stale-backup",
        "edit by Ana: new seam",
        "Ben answers for stale-backup until ",
        ": damaged, memory.bin is missing",
    ):
        assert told in shown.out, told
    entries = plant.run("ledger", "show", "--last", "0", "--json").json["entries"]
    assert len(entries) == len(shown.out.splitlines())
    assert entries[0]["body"].startswith("{")


@pytest.mark.parametrize(
    ("kind", "body", "expected"),
    [
        pytest.param("set", canonical({"set": "a/1", "state": "gone", "fingerprint": "f" * 64, "place": 2}), f"a/1 ({'f' * 12}) in further copy 2: gone", id="copy"),
        pytest.param("report", canonical({"day": "2026-11-25", "arms": {"clear": ["a"], "hold": ["b", "c"]}}), "report of 2026-11-25: 2 hold, 1 clear", id="report"),
        pytest.param("calendar", canonical({"source": "plan.ics", "digest": "d" * 64, "until": None, "left": [["u", "", "no kind"]], "added": 2, "changed": 0, "removed": 1}), "plan.ics: 2 added, 0 changed, 1 removed, 1 left out", id="calendar"),
        pytest.param("tomorrow", canonical({"what": "is not known here"}), "what: is not known here", id="a-kind-of-a-newer-version"),
        pytest.param("verdict", "{}", "{}", id="a-verdict-without-answers"),
        pytest.param("verdict", "no JSON", "no JSON", id="no-json"),
        pytest.param("mark", "[1]", "[1]", id="no-table"),
    ],
)  # fmt: skip
def test_sentence(kind: str, body: str, expected: str) -> None:
    assert sentence(kind, body, UTC) == expected


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.text(max_size=8),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=8), inner, max_size=3),
    max_leaves=8,
)
KEYS = st.sampled_from(
    "answers arms set state findings differs by until start elapsed_s limit_s of outcome verb kind".split()
)


@settings(max_examples=300, database=None)
@given(
    st.sampled_from(
        "verdict report set mark swap proof sign-off event warning share keep pin stock presence visit carry".split()
    ),
    st.dictionaries(KEYS, VALUES, max_size=6),
)
def test_any_entry_can_be_told(kind: str, body: dict[str, object]) -> None:
    assert isinstance(sentence(kind, canonical(body), UTC), str)


def test_an_entry_that_was_altered_is_shown_as_it_stands(tmp_path: Path) -> None:
    plant = Plant(tmp_path / "plant")
    plant.init()
    plant.look()
    with sqlite3.connect(plant.root / "state" / "ledger.db") as db:
        db.execute("UPDATE entries SET at='then', body='\x1b[2J gone' WHERE seq=1")
    db.close()
    shown = plant.run("ledger", "show")
    assert shown.code == 0
    assert "then" in shown.out
    assert "\\x1b[2J gone" in shown.out


def test_proving_an_arm_tells_of_a_damaged_newer_set(tmp_path: Path) -> None:
    plant = Plant(tmp_path / "plant", ("arm-07",))
    old, new = (plant.save("arm-07", timedelta(hours=hours)) for hours in (6, 5))
    plant.ready()
    (plant.share / new / "memory.bin").write_bytes(b"x")
    plant.run("prove", new)
    done = plant.run("prove", "--arm", "arm-07")
    assert done.code == 20
    first, second = done.out.splitlines()
    assert first.split()[:2] == ["damaged", f"{new}:"]
    assert first.endswith(f"An older set is read back in its place. Again: guard prove {new}")
    assert second.split() == ["read-back", f"{old}:", "every", "digest", "equal"]
