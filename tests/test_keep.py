"""`guard keep` as people use it: the real command line over real shares, with real kills in the middle."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from guard import visits
from guard.clock import now
from guard.desk import Desk
from guard.load import load
from tests.plant import Plant, as_ordinary_user

DAY = timedelta(days=1)

KEEP = """
[keep]
all-for = "1d"
daily = 2
weekly = 0
monthly = 0
yearly = 0
at-least = 1
grace = "{grace}"
copies = "{copies}"
"""

HOLDING = ".guard-holding"
MANIFEST = f"{HOLDING}/.guard-manifest.json"


def aged(plant: Plant, *days: int, arm: str = "arm-07") -> list[str]:
    """Sets of these ages, the oldest first."""
    return [plant.save(arm, timedelta(days=each)) for each in sorted(days, reverse=True)]


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Plant:
    """A plant of whose first arm two sets stay and two may go; everything is proven."""
    plant = Plant(tmp_path_factory.mktemp("prepared") / "plant", extra=KEEP.format(grace="30d", copies="leave"))
    aged(plant, 2, 3, 4, 5)
    aged(plant, 2, arm="arm-09")
    plant.ready()
    return plant


@pytest.fixture
def kept(prepared: Plant, tmp_path: Path) -> Plant:
    """That plant for one test to change."""
    return prepared.copy(tmp_path / "plant")


def there(root: Path) -> dict[str, dict[str, bytes]]:
    """Every set below a share or holding folder with its whole content, by path."""
    found: dict[str, dict[str, bytes]] = {}
    for file in sorted(root.glob("arm-*/*/**/*")):
        if file.is_file():
            path = file.relative_to(root)
            found.setdefault("/".join(path.parts[:2]), {})["/".join(path.parts[2:])] = file.read_bytes()
    return found


def held(plant: Plant) -> list[str]:
    return [each["path"] for each in plant.run("keep", "held", "--json").json["sets"]]


def entries(plant: Plant, kind: str) -> list[dict[str, Any]]:
    """The bodies of all ledger entries of a kind."""
    found = plant.run("ledger", "show", "--last", "0", "--json").json["entries"]
    return [json.loads(each["body"]) for each in found if each["kind"] == kind]


SOON = (now() + timedelta(hours=1)).strftime("%Y-%m-%dT%H:%MZ")


def answers(plant: Plant) -> list[dict[str, Any]]:
    """What is answered about every arm for one and the same moment, without the chance of a loss: it grows meanwhile."""
    found = plant.run("fleet", "--json", "--at", SOON).json["answers"]
    for each in found:
        each.pop("loss")
    return sorted(found, key=lambda each: str(each["arm"]))


def plan(plant: Plant) -> dict[str, bool]:
    return {each["path"]: each["keep"] for each in plant.run("keep", "plan", "--json").json["sets"]}


class TestPlan:
    """`plan` shows and changes nothing."""

    def test_it_tells_every_set_with_its_reasons_as_the_contract_has_it(self, kept: Plant) -> None:
        before = there(kept.share)
        entries_before = kept.run("ledger", "check", "--json").json["entries"]
        document = kept.run("keep", "plan", "--json").json
        assert document["schema"] == 1
        sets = [each for each in document["sets"] if each["arm"] == "arm-07"]
        assert [each["keep"] for each in sets] == [False, False, True, True]
        assert [sorted(each) for each in sets] == [["arm", "bytes", "captured_at", "keep", "path", "reasons"]] * 4
        assert document["bytes_released"] == sum(each["bytes"] for each in sets[:2]) > 0
        assert all(each["reasons"] for each in sets)
        assert there(kept.share) == before
        assert not (kept.share / HOLDING).exists()
        assert kept.run("ledger", "check", "--json").json["entries"] == entries_before

    def test_the_screen_names_the_next_step(self, kept: Plant) -> None:
        identity = kept.run("keep", "plan", "--json").json["plan"]
        shown = kept.run("keep", "plan").out.splitlines()
        assert shown[-2].startswith("3 sets stay, 2 sets may go (")
        assert shown[-1] == f"To move them into {HOLDING} on the share: guard keep apply --plan {identity}"

    def test_no_set_is_known(self, plant: Plant) -> None:
        assert plant.run("keep", "plan").out == "No set is known. Run: guard look\n"
        assert plant.run("keep", "plan", "--json").json["sets"] == []

    def test_a_share_in_doubt_keeps_everything(self, kept: Plant) -> None:
        (kept.share / ".guard-share.json").unlink()
        assert set(plan(kept).values()) == {True}
        refused = kept.run("keep", "apply", "--yes")
        assert (refused.code, len(there(kept.share))) == (0, 5)
        assert "nothing was moved" in refused.out

    def test_a_share_that_is_away_keeps_everything(self, kept: Plant) -> None:
        kept.share.rename(kept.root / "elsewhere")
        assert set(plan(kept).values()) == {True}
        (kept.root / "elsewhere").rename(kept.share)
        assert list(plan(kept).values()).count(False) == 2

    def test_what_is_wanted_and_relied_on_stays(self, kept: Plant) -> None:
        first, second, *_ = plan(kept)
        kept.run("keep", "pin", first, "--by", "Ana", "--why", "before the rebuild")
        kept.run("mark", "edit", "arm-07", "--at", _after(second))
        found = {each["path"]: each["reasons"] for each in kept.run("keep", "plan", "--json").json["sets"]}
        assert found[first] == ["pinned by Ana: before the rebuild"]
        assert found[second][0].startswith("last set before the edit of ")
        assert [each["path"] for each in kept.sets() if each["pinned"]] == [first]
        kept.run("keep", "unpin", first)
        assert plan(kept)[first] is False
        assert [each["pinned"] for each in kept.sets()] == [False] * 4

    def test_what_a_sign_off_and_a_swap_rested_on_stays(self, kept: Plant) -> None:
        kept.configure(KEEP.format(grace="30d", copies="leave") + '[fresh]\nmemory-swap = "30d"\n')
        oldest, _, old, _ = [each["path"] for each in kept.sets()]
        for newer in [each["path"] for each in kept.sets()][3:]:
            shutil.rmtree(kept.share / newer)
        kept.look()
        why = ("--by", "Ana", "--why", "needed today", "--until", "in 1d")
        code = ("--finding", "not-powered-long-enough", "--action", "memory-swap")
        assert kept.run("sign-off", "arm-07", *code, *why).code == 0
        kept.run("mark", "powered-on", "arm-07", "--at", "2026-01-01 00:00")
        assert kept.run("swap", "begin", "arm-07", "--yes").code == 0
        assert kept.run("swap", "end", "arm-07").code == 0
        for hours in (55, 54, 30, 29, 28):  # of two days in any zone, whatever the hour
            kept.save("arm-07", timedelta(hours=hours))
        kept.look()
        kept.prove()
        found = {each["path"]: each for each in kept.run("keep", "plan", "--json").json["sets"]}
        assert [found[oldest]["keep"], found[old]["keep"]] == [False, True]
        told = [reason.split(" of ")[0] for reason in found[old]["reasons"]]
        # Soon after midnight it stands for its day too.
        assert [reason for reason in told if reason != "newest"] == [
            "the memory swap",
            "the memory was not proven since the memory-swap",
            "the sign-off",
        ]

    def test_what_a_visit_under_way_rested_on_stays(self, kept: Plant) -> None:
        first, second, *_ = kept.sets()
        desk = Desk(load(str(kept.config)))
        visit = visits.begin(desk, "arm-07", "Ana")
        body = {"verb": "done", "visit": visit.number, "step": "backup", "by": "Ana", "readings": [], "note": ""}
        rested = {"boot": "", "uptime_s": 0.0, "set": first["path"], "fingerprint": first["fingerprint"]}
        desk.ledger.append(desk.now(), "visit", "arm-07", {**body, **rested})
        assert [plan(kept)[each["path"]] for each in (first, second)] == [True, False]
        assert kept.run("visit", "arm-07", "--give-up", "--why", "storm").code == 0
        assert plan(kept)[first["path"]] is False

    def test_a_ledger_that_lost_its_pins_releases_nothing(self, kept: Plant) -> None:
        before = (kept.root / "state" / "ledger.db").read_bytes()
        first, *_ = plan(kept)
        kept.run("keep", "pin", first)
        for end in ("-wal", "-shm"):
            (kept.root / "state" / f"ledger.db{end}").unlink(missing_ok=True)
        (kept.root / "state" / "ledger.db").write_bytes(before)
        refused = kept.run("keep", "apply", "--yes")
        assert (refused.code, len(there(kept.share))) == (1, 5)
        assert "ledger" in refused.err

    def test_a_pin_is_about_the_content_too(self, kept: Plant) -> None:
        first, *_ = plan(kept)
        kept.run("keep", "pin", first)
        (kept.share / first).rename(kept.share / "arm-07" / "2020-01-01_0000")
        kept.look()
        assert plan(kept)["arm-07/2020-01-01_0000"] is True


def _after(path: str) -> str:
    """A minute after the moment in a set's name, as a person writes it."""
    day, clock = path.split("/")[1].split("_")
    taken = datetime.fromisoformat(f"{day} {clock[:2]}:{clock[2:]}")
    return f"{taken + timedelta(minutes=1):%Y-%m-%d %H:%M}"


class TestApply:
    """`apply` moves what the plan releases into the holding folder, and nothing else changes."""

    def test_sets_are_moved_whole_with_a_manifest_and_an_entry_each(self, kept: Plant) -> None:
        before, said = there(kept.share), answers(kept)
        released = [path for path, keep in plan(kept).items() if not keep]
        done = kept.run("keep", "apply", "--yes")
        assert done.code == 0, done
        assert there(kept.share) == {path: files for path, files in before.items() if path not in released}
        assert there(kept.share / HOLDING) == {path: before[path] for path in released}
        manifest = json.loads((kept.share / MANIFEST).read_text())
        assert [each["set"] for each in manifest["sets"]] == released == held(kept)
        assert [(each["act"], each["set"]) for each in entries(kept, "keep")] == [("held", path) for path in released]
        assert answers(kept) == said

    def test_a_look_afterwards_raises_no_doubt(self, kept: Plant) -> None:
        kept.run("keep", "apply", "--yes")
        look = kept.look()
        assert "3 sets, 0 newly sealed, 0 arriving, 0 damaged, 0 gone" in look.out
        gone = [each for each in entries(kept, "set") if each["state"] == "gone"]
        assert [each["why"] for each in gone] == ["retention moved it into the holding folder"] * 2
        assert not any("share-doubt" in each["code"] for each in kept.ask().answer["findings"])
        assert kept.run("look", "--rebuild", "--yes").code == 0
        kept.prove()
        assert set(plan(kept).values()) == {True}

    def test_applying_twice_is_applying_once(self, kept: Plant) -> None:
        kept.run("keep", "apply", "--yes")
        after = there(kept.root)
        again = kept.run("keep", "apply", "--yes")
        assert (again.code, there(kept.root)) == (0, after)
        assert again.out == "No set may go: nothing was moved. Why each stays: guard keep plan\n"

    def test_without_a_terminal_it_wants_yes(self, kept: Plant) -> None:
        refused = kept.run("keep", "apply")
        assert refused.code == 2
        assert "say so with --yes" in refused.err
        assert len(there(kept.share)) == 5

    def test_another_plan_than_the_present_one_is_refused(self, kept: Plant) -> None:
        identity = kept.run("keep", "plan", "--json").json["plan"]
        first, *_ = plan(kept)
        kept.run("keep", "pin", first)
        refused = kept.run("keep", "apply", "--yes", "--plan", identity)
        assert refused.code == 2
        assert refused.err.startswith(f"Nothing was moved: the plan {identity} is not the present one")
        assert len(there(kept.share)) == 5
        now = kept.run("keep", "plan", "--json").json["plan"]
        assert kept.run("keep", "apply", "--yes", "--plan", now).code == 0
        assert len(there(kept.share)) == 4

    def test_a_share_without_a_marker_is_refused(self, plant: Plant) -> None:
        plant.configure(KEEP.format(grace="30d", copies="leave"))
        aged(plant, 2, 3, 4)
        plant.look()
        plant.prove()
        refused = plant.run("keep", "apply", "--yes")
        assert refused.code == 1
        assert "it never had a marker" in refused.err
        assert len(there(plant.share)) == 3

    def test_a_set_that_changed_since_it_was_read_stays(self, kept: Plant) -> None:
        first, second, *_ = plan(kept)
        program = kept.share / first / "programs" / "main.txt"
        program.write_bytes(b"x" * len(program.read_bytes()))
        left = kept.run("keep", "apply", "--yes")
        assert left.code == 1
        assert f"{first} was left as it is: it changed since it was read" in left.out
        assert held(kept) == [second]

    def test_without_a_newer_proven_set_nothing_goes(self, kept: Plant) -> None:
        newest = list(plan(kept))[3]
        (kept.share / newest / "memory.bin").write_bytes(b"short")
        found = plan(kept)
        assert [path for path, keep in found.items() if not keep] == list(found)[:1]

    def test_a_name_that_is_taken_in_the_holding_folder_overwrites_nothing(self, kept: Plant) -> None:
        first, *_ = plan(kept)
        there_already = kept.share / HOLDING / first
        there_already.mkdir(parents=True)
        (there_already / "mine.txt").write_text("keep me")
        kept.run("keep", "apply", "--yes")
        assert (there_already / "mine.txt").read_text() == "keep me"
        assert (kept.share / HOLDING / f"{first}~2" / "memory.bin").exists()
        kept.run("keep", "undo", "--yes")
        assert len(there(kept.share)) == 5
        assert (there_already / "mine.txt").exists()

    def test_links_in_the_holding_folder_are_not_followed(self, kept: Plant) -> None:
        outside = kept.root / "outside"
        outside.mkdir()
        (kept.share / HOLDING).mkdir()
        (kept.share / HOLDING / "arm-07").symlink_to(outside, target_is_directory=True)
        refused = kept.run("keep", "apply", "--yes")
        assert refused.code == 1
        assert "links are not followed" in refused.err
        assert (list(outside.iterdir()), len(there(kept.share))) == ([], 5)

    def test_a_holding_folder_that_is_a_link_is_not_followed(self, kept: Plant) -> None:
        outside = kept.root / "outside"
        outside.mkdir()
        (kept.share / HOLDING).symlink_to(outside, target_is_directory=True)
        refused = kept.run("keep", "apply", "--yes")
        assert (refused.code, list(outside.iterdir()), len(there(kept.share))) == (1, [], 5)
        assert "links are not followed" in refused.err

    def test_two_at_once_move_each_set_once(self, kept: Plant) -> None:
        before = there(kept.share)
        words = [sys.executable, "-m", "guard", "keep", "apply", "--yes"]
        env = {**os.environ, "GUARD_CONFIG": str(kept.config)}
        both = [
            subprocess.Popen(words, cwd=kept.root, env=env, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
            for _ in range(2)
        ]
        assert {each.wait(timeout=60) for each in both} <= {0, 1, 2}
        aside = there(kept.share / HOLDING)
        assert {**there(kept.share), **aside} == before
        assert sorted(held(kept)) == sorted(aside)
        assert len(aside) == 2

    def test_a_share_that_cannot_be_written_loses_nothing(self, kept: Plant) -> None:
        kept.share.chmod(0o555)
        refused = kept.run("keep", "apply", "--yes", before=as_ordinary_user())
        kept.share.chmod(0o755)
        assert refused.code == 1
        assert "it cannot be written" in refused.err
        assert len(there(kept.share)) == 5

    def test_another_file_system_is_refused(self, kept: Plant) -> None:
        if shutil.which("unshare") is None or os.geteuid() != 0:
            pytest.skip("only root can mount another file system for one command")
        (kept.share / HOLDING).mkdir()
        command = f"mount -t tmpfs none {kept.share / HOLDING} && exec {sys.executable} -m guard keep apply --yes"
        refused = kept.program("unshare", "--mount", "sh", "-c", command)
        if "mount" in refused.err:
            pytest.skip("this machine allows no mount")
        assert refused.code == 1
        assert "it lies in another file system" in refused.out
        assert len(there(kept.share)) == 5

    def test_archives_are_moved_too(self, plant: Plant) -> None:
        plant.configure(KEEP.format(grace="30d", copies="leave"))
        for path in aged(plant, 2, 3, 4):
            shutil.make_archive(str(plant.share / path), "zip", plant.share / path)
            shutil.rmtree(plant.share / path)
        plant.ready()
        (released,) = [path for path, keep in plan(plant).items() if not keep]
        content = (plant.share / released).read_bytes()
        assert plant.run("keep", "apply", "--yes").code == 0
        assert (plant.share / HOLDING / released).read_bytes() == content
        assert plant.run("keep", "undo", "--yes").code == 0
        assert (plant.share / released).read_bytes() == content


def test_the_nightly_report_tells_what_was_moved(kept: Plant) -> None:
    first, *_ = plan(kept)
    kept.run("keep", "pin", first, "--by", "Ana", "--why", "for the audit")
    kept.run("keep", "apply", "--yes")
    assert kept.run("report").code in (0, 10, 20)
    (text,) = (kept.root / "state" / "reports").glob("*.txt")
    told = " ".join(text.read_text().split())
    assert "Sets that retention moved or deleted" in told
    assert f"{first} pinned by Ana: for the audit" in told
    assert "moved into the holding folder: day " in told
    assert "Sets that are gone" not in told


class TestCopies:
    """Further copies are left alone, or treated likewise, as configured."""

    @pytest.fixture
    def copied(self, plant: Plant) -> Plant:
        aged(plant, 2, 3, 4, 5)
        shutil.copytree(plant.share, plant.root / "copy")
        return plant

    @pytest.mark.parametrize(("copies", "stay"), [("leave", 4), ("same", 2)])
    def test_as_configured(self, copied: Plant, copies: str, stay: int) -> None:
        copied.configure(KEEP.format(grace="30d", copies=copies), share='copies = ["copy"]\ncopies-needed = 1')
        copied.ready()
        said = answers(copied)
        assert copied.run("keep", "apply", "--yes").code == 0
        assert len(there(copied.share)) == 2
        assert len(there(copied.root / "copy")) == stay
        assert answers(copied) == said
        copied.look()
        assert copied.run("keep", "undo", "--yes").code == 0
        assert len(there(copied.share)) == len(there(copied.root / "copy")) == 4

    def test_a_copy_that_was_away_is_treated_by_the_next_run(self, copied: Plant) -> None:
        copied.configure(KEEP.format(grace="30d", copies="same"), share='copies = ["copy"]')
        copied.ready()
        (copied.root / "copy").rename(copied.root / "away")
        copied.run("keep", "apply", "--yes")
        assert len(there(copied.share)) == 2
        (copied.root / "away").rename(copied.root / "copy")
        wanted = min(held(copied))
        copied.run("keep", "pin", wanted, "--by", "Ana")
        assert copied.run("keep", "apply", "--yes").code == 0
        assert wanted in there(copied.root / "copy")
        assert len(there(copied.root / "copy")) == 3
        assert copied.run("keep", "undo", "--yes").code == 0
        assert len(there(copied.share)) == len(there(copied.root / "copy")) == 4

    def test_what_differs_on_the_copy_is_left(self, copied: Plant) -> None:
        copied.configure(KEEP.format(grace="30d", copies="same"), share='copies = ["copy"]')
        oldest = min(there(copied.share))
        (copied.root / "copy" / oldest / "memory.bin").write_bytes(bytes(range(256)) * 300)
        copied.ready()
        copied.run("keep", "apply", "--yes")
        assert min(there(copied.root / "copy")) == oldest


class TestUndo:
    """`undo` moves sets back, and all that was learnt of them is known again."""

    def test_everything_is_as_it_was(self, kept: Plant) -> None:
        before, sets = there(kept.share), kept.sets()
        kept.run("keep", "apply", "--yes")
        assert kept.run("keep", "undo").code == 2
        done = kept.run("keep", "undo", "--yes")
        assert done.code == 0, done
        assert (there(kept.share), kept.sets(), held(kept)) == (before, sets, [])
        assert "5 sets, 0 newly sealed, 0 arriving, 0 damaged, 0 gone" in kept.look().out
        assert json.loads((kept.share / MANIFEST).read_text())["sets"] == []

    def test_one_of_them(self, kept: Plant) -> None:
        first, second, *_ = plan(kept)
        kept.run("keep", "apply", "--yes")
        kept.run("keep", "undo", second, "--yes")
        assert (held(kept), second in there(kept.share)) == ([first], True)
        unknown = kept.run("keep", "undo", second, "--yes")
        assert unknown.code == 2
        assert "is in the holding folder" in unknown.err

    def test_a_place_that_is_taken_again_is_not_overwritten(self, kept: Plant) -> None:
        first, *_ = plan(kept)
        kept.run("keep", "apply", "--yes")
        (kept.share / first).mkdir()
        left = kept.run("keep", "undo", "--yes")
        assert left.code == 1
        assert "something stands there already, and nothing is overwritten" in left.out
        assert (list((kept.share / first).iterdir()), held(kept)) == ([], [first])

    def test_a_set_that_was_altered_meanwhile_comes_back_as_damaged(self, kept: Plant) -> None:
        first, *_ = plan(kept)
        kept.run("keep", "apply", "--yes")
        (kept.share / HOLDING / first / "memory.bin").write_bytes(b"no")
        kept.run("keep", "undo", "--yes")
        assert {each["path"]: each["proof"] for each in kept.sets()}[first] == "damaged"

    def test_one_that_rotted_while_the_catalogue_was_built_again_comes_back_as_damaged(self, kept: Plant) -> None:
        first, *_ = plan(kept)
        kept.run("keep", "apply", "--yes")
        kept.run("look", "--rebuild", "--yes")
        torn = kept.share / HOLDING / first / "memory.bin"
        about = torn.stat()
        torn.write_bytes(bytes(reversed(torn.read_bytes())))
        os.utime(torn, ns=(about.st_atime_ns, about.st_mtime_ns))
        kept.run("keep", "undo", "--yes")
        kept.look()
        kept.prove()
        proofs = {each["path"]: each["proof"] for each in kept.sets()}
        assert (proofs.pop(first), set(proofs.values())) == ("damaged", {"read-back"})

    def test_a_manifest_that_somebody_wrote_leads_nowhere(self, kept: Plant) -> None:
        kept.run("keep", "apply", "--yes")
        manifest = json.loads((kept.share / MANIFEST).read_text())
        (kept.root / "outside").write_text("mine")
        for path, name in (("arm-07/x", "../../outside"), ("../x", "arm-07"), ("arm-07/x", "arm-07")):
            manifest["sets"].append({**manifest["sets"][0], "id": path + name, "set": path, "held_as": name})
        (kept.share / MANIFEST).write_text(json.dumps(manifest))
        before = len(held(kept))
        assert kept.run("keep", "undo", "--yes").code == 0
        assert (before, (kept.root / "outside").read_text(), len(there(kept.share))) == (2, "mine", 5)

    @pytest.mark.parametrize("text", ["", "{}", "[]", '{"sets": 3}', '{"sets": [3]}', "[" * 5000], ids=range(6))
    def test_a_manifest_that_cannot_be_read_is_told(self, kept: Plant, text: str) -> None:
        kept.run("keep", "apply", "--yes")
        (kept.share / MANIFEST).write_text(text)
        refused = kept.run("keep", "undo", "--yes")
        assert refused.code == 1
        assert f"{MANIFEST} was left as it is: it " in refused.err


class TestPurge:
    """`purge` deletes what was held for longer than grace, while a newer proven set stands."""

    @pytest.fixture
    def ripe(self, kept: Plant) -> Plant:
        kept.run("keep", "apply", "--yes")
        kept.configure(KEEP.format(grace="0s", copies="leave"))
        return kept

    def test_within_grace_nothing_is_deleted(self, kept: Plant) -> None:
        kept.run("keep", "apply", "--yes")
        done = kept.run("keep", "purge", "--yes")
        assert (done.code, len(held(kept))) == (0, 2)
        assert "30 d must have passed" in done.out

    def test_after_grace_it_asks_and_deletes(self, ripe: Plant) -> None:
        said, sets = answers(ripe), there(ripe.share)
        assert ripe.run("keep", "purge").code == 2
        assert len(there(ripe.share / HOLDING)) == 2
        assert ripe.run("keep", "purge", "--yes").code == 0
        assert (there(ripe.share / HOLDING), held(ripe)) == ({}, [])
        assert (there(ripe.share), answers(ripe)) == (sets, said)
        assert [each["act"] for each in entries(ripe, "keep")] == ["held", "held", "purged", "purged"]
        assert ripe.run("ledger", "check").code == 0

    def test_where_nothing_newer_is_proven_nothing_is_deleted(self, ripe: Plant) -> None:
        for path in there(ripe.share):
            (ripe.share / path / "memory.bin").write_bytes(b"no")
        done = ripe.run("keep", "purge", "--yes")
        assert "no newer proven set of its arm stands" in done.out
        assert len(there(ripe.share / HOLDING)) == 2

    @pytest.mark.parametrize(
        ("acts", "told"),
        [
            pytest.param([("mark", "edit", "arm-07", "--at")], "last set before the edit of", id="edit"),
            pytest.param(
                [("mark", "powered-off", "arm-07", "--at")], "not proven since the power-down", id="power-down"
            ),
        ],
    )
    def test_what_is_wanted_since_it_was_moved_stays(self, ripe: Plant, acts: list[tuple[str, ...]], told: str) -> None:
        older, newer = held(ripe)
        for words in acts:
            assert ripe.run(*words, _after(newer), "--by", "Ana").code == 0
        done = ripe.run("keep", "purge", "--yes")
        assert told in done.out
        assert held(ripe) == [newer] != [older]

    def test_what_was_not_read_since_the_catalogue_was_built_again_stays(self, ripe: Plant) -> None:
        """Nobody can tell then whether it is the last set before a power-down that was marked since."""
        older, newer = held(ripe)
        assert ripe.run("look", "--rebuild", "--yes").code == 0
        ripe.prove()
        done = ripe.run("keep", "purge", "--yes")
        assert f"guard keep undo {older}" in " ".join(done.out.split())
        assert held(ripe) == [older, newer]
        for words in (("keep", "undo", "--yes"), ("look",), ("prove", "--due"), ("keep", "apply", "--yes")):
            assert ripe.run(*words).code == 0
        assert ripe.run("keep", "purge", "--yes").code == 0
        assert held(ripe) == []

    def test_a_share_in_doubt_deletes_nothing(self, ripe: Plant) -> None:
        (ripe.share / ".guard-share.json").unlink()
        ripe.run("keep", "purge", "--yes")
        assert len(there(ripe.share / HOLDING)) == 2

    def test_an_arm_that_is_not_configured_any_more_deletes_nothing(self, ripe: Plant) -> None:
        ripe.arms = ("arm-09",)
        ripe.configure(KEEP.format(grace="0s", copies="leave"))
        assert "no arm called arm-07 is configured" in ripe.run("keep", "purge", "--yes").out
        assert len(there(ripe.share / HOLDING)) == 2


DRIVER = """
import os, shutil, signal, sys
from pathlib import Path
from guard.cli import ask, keep, looking, main, records, sets
from guard.share import look, prove
import sqlite3, zoneinfo

WRITES = {"rename", "replace", "mkdir", "fsync", "unlink", "rmdir", "execute"}
root, most, *words = Path(sys.argv[1]), int(sys.argv[2]), *sys.argv[3:]

def called(words, config, stop_at=0, out=os.devnull):
    child = os.fork()
    if child == 0:
        writes = 0
        def watch(frame, event, function):
            nonlocal writes
            if event == "c_call" and function.__name__ in WRITES:
                writes += 1
                if writes == stop_at:
                    os.kill(os.getpid(), signal.SIGKILL)
        sys.stdout = open(out, "w")
        if stop_at:
            sys.setprofile(watch)
        code = main.main(["--config", str(config), *words])
        sys.setprofile(None)
        if stop_at == BEYOND:
            Path(COUNT).write_text(str(writes))
        sys.stdout.close()
        os._exit(code)
    return os.waitpid(child, 0)[1]

BEYOND, COUNT = 10**9, str(root / "writes")
whole = root / "0"
shutil.copytree(root / "plant", whole, symlinks=True)
assert called(words, whole / "guard.toml", BEYOND) == 0
writes = int(Path(COUNT).read_text())
step = max(1, writes // most)
for stop_at in range(1, writes + 1, step):
    copy = root / str(stop_at)
    shutil.copytree(root / "plant", copy, symlinks=True)
    assert called(words, copy / "guard.toml", stop_at) == signal.SIGKILL
    shutil.copytree(copy / "share", copy / "killed", symlinks=True)
    if (copy / "copy").is_dir():
        shutil.copytree(copy / "copy", copy / "killed-copy", symlinks=True)
    if stop_at % 2:  # somebody else may look first
        called(["look"], copy / "guard.toml")
    assert called(words, copy / "guard.toml", 0) == 0
    called(["look"], copy / "guard.toml", 0, copy / "looked")
    called(["ledger", "show", "--last", "0", "--json"], copy / "guard.toml", 0, copy / "ledger.json")
print(writes)
"""


POINTS = int(os.environ.get("GUARD_TEST_KILLS", "12"))
"""How many of the writes are died before; a large number takes every one of them."""


WAS = {"share": "killed", "copy": "killed-copy"}
"""Where the driver keeps each place as the kill left it."""


class TestKilled:
    """A crash at any point leaves each set where it was or in the holding folder, whole; the next run goes on."""

    @pytest.mark.parametrize("copies", ["leave", "same"])
    @pytest.mark.parametrize("verb", ["apply", "undo", "purge"])
    def test_at_many_points(self, kept: Plant, tmp_path: Path, verb: str, copies: str) -> None:
        places = ("share",)
        if copies == "same":
            places = ("share", "copy")
            shutil.copytree(kept.share, kept.root / "copy", ignore=shutil.ignore_patterns(".guard-*"))
        further = 'copies = ["copy"]' if copies == "same" else ""
        kept.configure(KEEP.format(grace="30d", copies=copies), share=further)
        kept.look()
        sets = there(kept.share)
        released = {path for path, keep in plan(kept).items() if not keep}
        if verb != "apply":
            assert kept.run("keep", "apply", "--yes").code == 0
            kept.configure(KEEP.format(grace="0s", copies=copies), share=further)
        done = kept.program(sys.executable, "-c", DRIVER, str(tmp_path), str(POINTS), "keep", verb, "--yes")
        assert done.code == 0, done
        killed = [each for each in tmp_path.iterdir() if (each / "killed").is_dir()]
        assert len(killed) >= min(POINTS, int(done.out))
        for copy in killed:
            for place in places:
                self.is_whole(copy, place, sets, gone=verb == "purge")
                for part in (".", HOLDING):
                    assert there(copy / place / part) == there(tmp_path / "0" / place / part), (copy, place)
            self.is_written_down_once(copy, released, verb, len(places))
        between = {sum(len(there(copy / WAS[place] / HOLDING)) for place in places) for copy in killed}
        assert between == {0, 1, 2} if copies == "leave" else len(between) > 2, "the kills did not come in the middle"

    def is_whole(self, copy: Path, place: str, sets: dict[str, dict[str, bytes]], *, gone: bool) -> None:
        """Each set is where it was or in the holding folder, and nowhere else."""
        here, aside = there(copy / WAS[place]), there(copy / WAS[place] / HOLDING)
        assert not here.keys() & aside.keys(), (copy, place)
        assert {**here, **aside}.items() <= sets.items(), (copy, place)
        assert gone or here.keys() | aside.keys() == sets.keys(), (copy, place)

    def is_written_down_once(self, copy: Path, released: set[str], verb: str, places: int) -> None:
        """One entry for each set that was moved, as without a kill, and no set that is gone for another reason."""
        found = json.loads((copy / "ledger.json").read_text())["entries"]
        told = [json.loads(each["body"]) for each in found if each["kind"] == "keep"]
        act = {"apply": "held", "undo": "returned", "purge": "purged"}[verb]
        assert sorted(each["set"] for each in told if each["act"] == act) == sorted([*released] * places), copy
        assert " 0 gone" in (copy / "looked").read_text(), copy
        assert not any(".guard-leaving" in name for name in os.listdir(copy / "share" / HOLDING)), copy
