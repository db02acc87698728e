"""The proof after a change, as its user meets it: real sets, the real command line, and what the ledger says."""

from __future__ import annotations

import hashlib
import json
import shutil
import tarfile
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from guard.clock import now
from guard.model import FileFacts
from guard.share.differing import is_another_save
from tests import facts
from tests.plant import RECIPE, Plant, content, stamp, touch

HOUR, MINUTE = timedelta(hours=1), timedelta(minutes=1)


def at(ago: timedelta) -> str:
    """A moment as an option of the command line takes it."""
    return (now() - ago).isoformat()


@pytest.fixture(scope="module")
def down(tmp_path_factory: pytest.TempPathFactory) -> Plant:
    """A plant in which arm-07 was saved, powered down and up again, and not saved since."""
    plant = Plant(tmp_path_factory.mktemp("down") / "plant")
    plant.save("arm-07", 6 * HOUR)
    plant.save("arm-09", 6 * HOUR)
    plant.ready()
    for kind, ago in (("powered-off", 4 * HOUR), ("powered-on", 3 * HOUR)):
        assert plant.run("mark", kind, "arm-07", "--at", at(ago), "--by", "Ana").code == 0
    return plant


@pytest.fixture
def plant(down: Plant, tmp_path: Path) -> Plant:
    """That plant, for one test."""
    return down.copy(tmp_path / "plant")


def save_again(plant: Plant, **changed: bytes) -> str:
    """A set that was saved two hours ago, like the one before but for these files; looked at and read back."""
    files = {**content("arm-07", "again"), **{name.replace("__", "/"): data for name, data in changed.items()}}
    path = plant.save("arm-07", 2 * HOUR, files={name: data for name, data in files.items() if data != b"-"})
    plant.look()
    assert plant.run("prove", "--arm", "arm-07").code == 0
    return path


def outcomes(plant: Plant) -> list[dict[str, Any]]:
    """What the ledger says of memories."""
    entries = plant.run("ledger", "show", "--last", "0", "--json").json["entries"]
    return [json.loads(entry["body"]) for entry in entries if entry["kind"] == "proof"]


ZERO = {"axis-zero.csv": b"axis,count\n1,10452\n2,-884\narm-07\n"}


def test_until_it_is_saved_again_the_next_power_down_is_held(down: Plant) -> None:
    assert down.ask().codes == {"awaiting-proof"}
    assert (down.ask().code, down.ask("arm-07", "service-visit").json["verdict"]) == (20, "caution")
    shown = down.run("swap", "show", "arm-07")
    assert (shown.code, "AWAITING PROOF" in shown.out) == (20, True)
    assert "was without power for" in down.run("fleet").out


@pytest.mark.parametrize(
    ("back", "codes"), [(timedelta(hours=1), {"awaiting-proof"}), (timedelta(hours=3, minutes=5), set())]
)
def test_power_that_came_back_later_than_was_marked_is_awaited_anew(
    plant: Plant, back: timedelta, codes: set[str]
) -> None:
    save_again(plant)
    entries = plant.run("ledger", "show", "--last", "0", "--json").json["entries"]
    number = next(each["seq"] for each in entries if "powered-on" in each["body"])
    done = plant.run("mark", "--correct", str(number), "--at", at(back), "--by", "Ana")
    assert done.code == 0, done.err
    assert plant.ask().codes == codes


def test_power_that_never_came_back_is_awaited_anew(plant: Plant) -> None:
    save_again(plant)
    entries = plant.run("ledger", "show", "--last", "0", "--json").json["entries"]
    number = next(each["seq"] for each in entries if "powered-on" in each["body"])
    assert plant.run("mark", "--correct", str(number), "--never-happened", "--by", "Ana").code == 0
    assert "awaiting-proof" in plant.ask().codes


def test_equal_is_retained_and_the_ledger_says_so_with_both_fingerprints(plant: Plant) -> None:
    save_again(plant)
    assert plant.ask().json["verdict"] == "clear"
    (told,) = outcomes(plant)
    before, after = (each["fingerprint"] for each in plant.sets())
    assert before != after, "volatile files differ"
    assert (told["outcome"], told["fingerprint"], told["after_fingerprint"]) == ("retained", before, after)
    plant.run("prove", "--arm", "arm-07")
    assert len(outcomes(plant)) == 1, "told once"
    shown = plant.run("swap", "show", "arm-07")
    assert shown.code == 0
    old, new = (each["path"] for each in plant.sets())
    assert (
        f"after a power-down: the memory is what it was: {new} ({after[:12]}) equals {old} ({before[:12]})" in shown.out
    )
    told = plant.run("swap", "show", "arm-07", "--json").json["proof"]
    assert (told["outcome"], told["fingerprint"], told["after_fingerprint"]) == ("retained", before, after)


@pytest.mark.parametrize(("axis_zero", "code", "outcome"), [("", 0, "retained"), ("#", 20, "differs")])
def test_a_cell_change_that_was_only_marked_is_proven_as_well(
    plant: Plant, axis_zero: str, code: int, outcome: str
) -> None:
    save_again(plant)
    told = plant.run("mark", "cell-changed", "arm-07", "--cell", "memory-cell", "--at", at(HOUR), "--by", "Ana")
    assert told.code == 0
    assert (plant.ask().code, plant.ask().codes) == (20, {"awaiting-proof"})
    assert plant.ask("arm-07", "service-visit").json["verdict"] == "caution"
    assert "The memory cell of arm-07 was changed, and no set saved since then carries the answer" in plant.ask().out
    files = content("arm-07", "since")
    plant.save("arm-07", HOUR / 2, files={**files, "axis-zero.csv": files["axis-zero.csv"] + axis_zero.encode()})
    plant.look()
    assert plant.run("prove", "--arm", "arm-07").code == 0
    assert plant.ask().code == code
    assert [(each["of"], each["outcome"]) for each in outcomes(plant)][-1] == ("memory-swap", outcome)


def test_what_was_proven_once_stays_proven_when_its_sets_are_gone(plant: Plant) -> None:
    path = save_again(plant)

    shutil.rmtree(plant.share / path)
    assert "awaiting-proof" not in plant.ask().codes


@pytest.mark.parametrize("forgotten", [False, True])
def test_a_set_from_before_that_went_is_never_taken_for_none(plant: Plant, *, forgotten: bool) -> None:
    """Rebuilt from the ledger, the catalogue knows that it was there, and no longer what was in it."""
    (before,) = plant.sets()
    shutil.rmtree(plant.share / before["path"])
    plant.look()
    if forgotten:
        assert plant.run("look", "--rebuild", "--yes").code == 0
        plant.prove()
    path = save_again(plant, **{"axis-zero.csv": ZERO["axis-zero.csv"] + b"#"})
    found = plant.ask()
    assert (found.code, found.codes & {"awaiting-proof", "memory-differs"}) == (
        20,
        {"awaiting-proof" if forgotten else "memory-differs"},
    )
    if forgotten:
        assert "No complete set from before it is known" in found.out
        assert outcomes(plant) == []
        words = ("memory-checked", "arm-07", "--set", path, "--by", "Ana", "--note", "looked it through")
        assert plant.run("mark", *words).code == 0
        assert plant.ask().codes & {"awaiting-proof", "memory-differs"} == set()


def test_an_archive_is_compared_with_a_folder(plant: Plant) -> None:
    folder = plant.root / "set"
    for name, data in content("arm-07", "again").items():
        where = folder / name
        where.parent.mkdir(parents=True, exist_ok=True)
        where.write_bytes(data)
    touch(folder, now() - 2 * HOUR)
    name = stamp(now() - 2 * HOUR)
    with tarfile.open(plant.share / "arm-07" / f"{name}.tar", "w") as archive:
        archive.add(folder, name)
    plant.look()
    plant.prove()
    assert [told["outcome"] for told in outcomes(plant)] == ["retained"]
    assert plant.ask().json["verdict"] == "clear"


def test_a_difference_is_a_hold_everywhere_with_axis_zero_first(plant: Plant) -> None:
    path = save_again(plant, **ZERO, **{"programs__weld.txt": b"-"})
    before = plant.sets()[0]["path"]
    answer = plant.ask("arm-07", "service-visit")
    assert answer.code == 20
    (found,) = [each for each in answer.answer["findings"] if each["code"] == "memory-differs"]
    assert [each["part"] for each in found["evidence"]["parts"]] == ["axis-zero", "programs"]
    assert "WARNING: axis-zero: 1 changed (axis-zero.csv): the arm may move elsewhere than taught" in found["message"]
    assert f"restore {before} (fingerprint" in found["remedy"]
    assert outcomes(plant)[-1]["outcome"] == "differs"
    screen = plant.run("swap", "show", "arm-07")
    assert screen.code == 20
    assert "MEMORY DIFFERS: let nobody move arm-07." in screen.out
    assert screen.out.index("WARNING: axis-zero") < screen.out.index("NOTICE: programs: 1 missing (programs/weld.txt)")
    assert f"guard compare {before} {path}" in screen.out
    assert "the memory is not what it was" in plant.run("fleet").out
    plant.run("report", "--out", str(plant.root / "out"))
    (text,) = (plant.root / "out").glob("*.txt")
    told = " ".join(text.read_text(encoding="utf-8").split())
    assert "the memory is not what it was" in told
    assert "THE MEMORY DIFFERS" in told


def test_restoring_what_was_there_and_saving_again_ends_it(plant: Plant) -> None:
    save_again(plant, **ZERO)
    plant.save("arm-07", HOUR, files=content("arm-07", "restored"))
    plant.look()
    assert "memory-differs" in plant.ask().codes, "not read back yet"
    assert plant.run("prove", "--arm", "arm-07").code == 0
    assert "memory-differs" not in plant.ask().codes
    assert [told["outcome"] for told in outcomes(plant)] == ["differs", "retained"]


def test_a_person_who_checked_it_ends_it(plant: Plant) -> None:
    path = save_again(plant, **ZERO)
    who = ("--by", "Ben", "--note", "new fixture, all positions touched")
    assert plant.run("mark", "memory-checked", "arm-07", "--set", path, *who).code == 0
    assert "memory-differs" in plant.ask().codes, "not re-zeroed"
    assert plant.run("mark", "re-zeroed", "arm-07", "--at", at(150 * MINUTE), "--by", "Ben").code == 0
    assert plant.ask().json["verdict"] == "clear"
    assert [(told["outcome"], told["by"]) for told in outcomes(plant)] == [("differs", ""), ("checked", "Ben")]


@pytest.mark.parametrize("wrong", ["memory-checked", "re-zeroed"])
def test_who_takes_back_what_ended_it_has_it_again(plant: Plant, wrong: str) -> None:
    path = save_again(plant, **ZERO)
    rows = {
        "re-zeroed": ("--at", at(150 * MINUTE), "--by", "Ben"),
        "memory-checked": ("--set", path, "--by", "Ben", "--note", "looked it through"),
    }
    told = {kind: plant.run("mark", kind, "arm-07", *words).out for kind, words in rows.items()}
    assert plant.ask().json["verdict"] == "clear"
    number = told[wrong].partition("ledger entry ")[2].partition(")")[0]
    assert plant.run("mark", "--correct", number, "--never-happened", "--note", "it was arm-09").code == 0
    assert "memory-differs" in plant.ask().codes
    assert plant.run("swap", "show", "arm-07", "--json").json["proof"]["outcome"] == "differs"
    assert plant.run("mark", wrong, "arm-07", *rows[wrong]).code == 0
    assert plant.ask().json["verdict"] == "clear"


def test_a_set_that_was_cut_meanwhile_ends_nothing(plant: Plant) -> None:
    path = save_again(plant, **{"programs/main.txt": b"move home\n"})
    plant.save("arm-07", HOUR, files={**content("arm-07", "later"), "programs/main.txt": b"move home\n"})
    plant.look()
    plant.prove()
    (plant.share / path / "memory.bin").write_bytes(b"")
    words = ("memory-checked", "arm-07", "--set", path, "--by", "Ben", "--note", "looked it through")
    assert plant.run("mark", *words).code == 0
    assert "memory-differs" in plant.ask().codes
    assert {told["outcome"] for told in outcomes(plant)} == {"differs"}


@pytest.mark.parametrize(
    "words",
    [
        pytest.param([], id="nothing"),
        pytest.param(["--by", "Ana", "--note", "all of it"], id="no-set"),
        pytest.param(["--set", "{arm-07}", "--note", "all of it"], id="nobody"),
        pytest.param(["--set", "{arm-07}", "--by", "Ana"], id="no-reason"),
        pytest.param(["--set", "{arm-09}", "--by", "Ana", "--note", "all of it"], id="another-arms-set"),
    ],
)
def test_a_check_without_all_of_it_is_refused(down: Plant, words: list[str]) -> None:
    paths = {f"{{{arm}}}": down.sets(arm)[0]["path"] for arm in down.arms}
    done = down.run("mark", "memory-checked", "arm-07", *(paths.get(word, word) for word in words))
    assert (done.code, done.out) == (2, "")
    assert done.err.startswith("Not understood: ")


def test_names_that_tell_only_the_day_say_what_to_do(tmp_path: Path) -> None:
    plant = Plant(tmp_path / "plant")
    day_only = 'layout = ["{arm}/{taken:%Y-%m-%d}"]'
    plant.configure(share=day_only, recipe=RECIPE)
    for arm in plant.arms:
        plant.save(arm, 30 * HOUR, name=stamp(now() - 30 * HOUR)[:10])
    plant.ready()
    plant.run("mark", "powered-off", "arm-07")
    plant.run("mark", "powered-on", "arm-07")
    path = plant.save("arm-07", timedelta(), name=stamp(now())[:10])
    plant.look()
    plant.prove()
    (found,) = [each for each in plant.ask().answer["findings"] if each["code"] == "awaiting-proof"]
    assert f"The set {path} came after that, but by the stamp in its name it was saved " in found["message"]
    assert "Where the names of sets tell only the day, a set counts as saved at midnight" in found["remedy"]
    done = plant.run("mark", "memory-checked", "arm-07", "--set", path, "--by", "Ana", "--note", "saved after power-on")
    assert done.code == 0
    assert "awaiting-proof" not in plant.ask().codes


@pytest.mark.parametrize("history", ["none", "the old one"])
def test_a_copy_of_the_set_from_before_proves_nothing(plant: Plant, history: str) -> None:
    """Whoever files the old backup again, without its logs or with a list of checksums beside them, has saved nothing."""
    (before,) = plant.sets()
    files = {
        str(file.relative_to(plant.share / before["path"])): file.read_bytes()
        for file in (plant.share / before["path"]).rglob("*")
        if file.is_file() and (history != "none" or "history" not in file.parts)
    }
    plant.save("arm-07", timedelta(), files={**files, "SHA256SUMS": b""} if history != "none" else files)
    plant.look()
    plant.prove()
    assert "awaiting-proof" in plant.ask().codes
    assert outcomes(plant) == []
    if history == "none":
        assert "it may be a copy of that" in plant.run("ask", "--arm", "arm-07").out


@pytest.mark.parametrize(
    ("before", "after", "expected"),
    [
        pytest.param({"history/a": "1"}, {"history/a": "2"}, True, id="another-log"),
        pytest.param({"history/a": "1"}, {"history/a": "1", "history/b": "2"}, True, id="one-log-more"),
        pytest.param({"history/a": "1"}, {"history/a": "1"}, False, id="the-same-log"),
        pytest.param({"history/a": "1", "history/b": "2"}, {"history/a": "1"}, False, id="one-log-less"),
        pytest.param({"history/a": "1", "x": "1"}, {"x": "2"}, False, id="no-log-any-more"),
        pytest.param({"x": "1"}, {"x": "1"}, True, id="there-were-no-logs"),
    ],
)
def test_what_is_taken_for_another_save(before: dict[str, str], after: dict[str, str], *, expected: bool) -> None:
    def files(held: dict[str, str]) -> dict[str, FileFacts]:
        return {
            path: FileFacts(path, 1, None, hashlib.sha256(data.encode()).digest(), b"") for path, data in held.items()
        }

    assert is_another_save(files(before), files(after), facts.RECIPE) is expected
