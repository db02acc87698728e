"""A share in trouble: missing, empty, another one, foreign, unreadable, vanishing. Never a clear, always a word."""

from __future__ import annotations

import json
import os
import shutil
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest

from guard.clock import now
from guard.desk import Desk
from guard.errors import ShareDoubtful, ShareUnreadable
from guard.load import load
from guard.share.look import Silent, look
from tests.plant import Plant, as_ordinary_user, content, stamp, touch


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Plant:
    """A plant whose two arms are clear."""
    plant = Plant(tmp_path_factory.mktemp("prepared") / "plant")
    plant.save("arm-07")
    plant.save("arm-09")
    plant.ready()
    assert plant.ask("arm-07").code == 0
    return plant


@pytest.fixture
def ready(prepared: Plant, tmp_path: Path) -> Plant:
    """That plant, for one test."""
    return prepared.copy(tmp_path / "plant")


def away(plant: Plant) -> Path:
    """Take the share away, as an unplugged disk or a lost mount does."""
    elsewhere = plant.root / "elsewhere"
    plant.share.rename(elsewhere)
    return elsewhere


class TestOffline:
    """A share that is offline is not a share whose backups were deleted."""

    def test_ask_says_unknown_and_keeps_what_it_knows(self, ready: Plant) -> None:
        elsewhere = away(ready)
        asked = ready.ask("arm-07")
        assert (asked.code, asked.codes) == (30, {"share-offline"})
        assert asked.answer["set"]["proof"] == "read-back"

        elsewhere.rename(ready.share)
        assert ready.ask("arm-07").code == 0

    def test_look_refuses_and_forgets_nothing(self, ready: Plant) -> None:
        away(ready)
        looked = ready.run("look")
        assert looked.code == 1
        assert "cannot be read" in looked.err
        assert "it is not there" in looked.err

    def test_facts_older_than_a_day_are_unseen_too(self, ready: Plant) -> None:
        away(ready)
        ready.configure(share='unseen-after = "0s"')
        asked = ready.ask("arm-07")
        assert (asked.code, asked.codes) == (30, {"share-offline", "share-unseen"})

    def test_a_file_in_place_of_the_share(self, ready: Plant) -> None:
        away(ready)
        ready.share.write_text("not a folder")
        assert (ready.ask("arm-07").code, ready.run("look").code) == (30, 1)


class TestAnotherShare:
    """The share carries a marker file with an identity; another one in its place is a doubt."""

    def test_an_empty_folder_in_its_place(self, ready: Plant) -> None:
        away(ready)
        ready.share.mkdir()
        asked = ready.ask("arm-07")
        assert (asked.code, "share-doubt" in asked.codes) == (20, True)
        looked = ready.run("look")
        assert looked.code == 1
        assert "its marker is gone" in looked.err

    def test_another_share_with_the_same_folders(self, ready: Plant) -> None:
        elsewhere = away(ready)
        shutil.copytree(elsewhere, ready.share, copy_function=shutil.copy2)
        (ready.share / ".guard-share.json").write_text(json.dumps({"schema": 1, "identity": "another"}))
        asked = ready.ask("arm-07")
        assert (asked.code, asked.codes) == (30, {"share-doubt"})
        looked = ready.run("look")
        assert (looked.code, "another share's" in looked.err) == (1, True)

    def test_what_is_read_on_another_share_proves_nothing_of_this_one(self, ready: Plant) -> None:
        """A mirror in the share's place is sound where the share's own disk has rotted meanwhile."""
        (path,) = (each["path"] for each in ready.sets("arm-07"))
        read_at = ready.ask("arm-07").answer["set"]["last_read_at"]
        elsewhere = away(ready)
        shutil.copytree(elsewhere, ready.share, copy_function=shutil.copy2)
        for marker in ({"schema": 1, "identity": "another"}, None):
            if marker is None:
                (ready.share / ".guard-share.json").unlink()
            else:
                (ready.share / ".guard-share.json").write_text(json.dumps(marker))
            proved = ready.run("prove", path)
            assert (proved.code, "the share is in doubt" in proved.out) == (20, True)
        shutil.rmtree(ready.share)
        elsewhere.rename(ready.share)
        assert ready.ask("arm-07").answer["set"]["last_read_at"] == read_at
        assert ready.run("prove", path).code == 0
        assert ready.ask("arm-07").answer["set"]["last_read_at"] > read_at

    def test_without_the_share_nothing_is_read_back(self, ready: Plant) -> None:
        away(ready)
        proved = ready.run("prove", "--arm", "arm-07")
        assert (proved.code, "cannot be read: it is not there" in proved.out) == (20, True)

    def test_a_marker_that_is_no_marker(self, ready: Plant) -> None:
        (ready.share / ".guard-share.json").write_bytes(b"\xff\x00 nonsense")
        assert (ready.ask("arm-07").code, ready.run("look").code) == (30, 1)

    def test_back_again_it_is_as_it_was(self, ready: Plant) -> None:
        elsewhere = away(ready)
        ready.share.mkdir()
        ready.run("look")
        ready.share.rmdir()
        elsewhere.rename(ready.share)
        assert (ready.look().code, ready.ask("arm-07").code) == (0, 0)

    def test_adopting_takes_a_person_s_word(self, ready: Plant) -> None:
        (ready.share / ".guard-share.json").unlink()
        init = ("init", str(ready.root), "--share", str(ready.share), "--yes")
        assert ready.run(*init).code == 2
        assert "has to be read back anew" in ready.run(*init, "--adopt").out
        assert ready.ask("arm-07").codes == {"not-read-back"}
        ready.prove()
        assert ready.ask("arm-07").code == 0

    @pytest.mark.parametrize("marker", ["another", "gone"])
    def test_what_was_proven_elsewhere_is_not_proven_on_an_adopted_share(self, ready: Plant, marker: str) -> None:
        """The share was moved to another disk, on which one file is not what it was, though it looks the same."""
        (path,) = (each["path"] for each in ready.sets("arm-07"))
        elsewhere = away(ready)
        shutil.copytree(elsewhere, ready.share, copy_function=shutil.copy2)
        identity = ready.share / ".guard-share.json"
        identity.write_text('{"schema": 1, "identity": "another"}')
        if marker == "gone":
            identity.unlink()
        torn = ready.share / path / "memory.bin"
        about = torn.stat()
        torn.write_bytes(bytes(reversed(torn.read_bytes())))
        os.utime(torn, ns=(about.st_atime_ns, about.st_mtime_ns))
        assert ready.run("init", str(ready.root), "--share", str(ready.share), "--yes", "--adopt").code == 0
        assert ready.ask("arm-07").codes == {"not-read-back"}
        ready.prove()
        assert "damaged-set" in ready.ask("arm-07").codes

    def test_a_share_that_never_had_a_marker_is_a_caution(self, plant: Plant) -> None:
        plant.save("arm-07")
        plant.look()
        plant.prove()
        asked = plant.ask("arm-07")
        assert (asked.code, asked.codes) == (10, {"share-doubt"})


class TestUnderAnotherName:
    """A set that is renamed or copied with its times is the one that it was, and what rotted in it is no new save."""

    @pytest.mark.parametrize("found", [True, False], ids=["found-before", "not-found-before"])
    @pytest.mark.parametrize("how", ["renamed", "copied", "zip", "gztar"])
    def test_damage_does_not_go_away(
        self, ready: Plant, monkeypatch: pytest.MonkeyPatch, how: str, *, found: bool
    ) -> None:
        (before,) = (each["path"] for each in ready.sets("arm-07"))
        torn = ready.share / before / "memory.bin"
        about = torn.stat()
        torn.write_bytes(bytes(reversed(torn.read_bytes())))
        os.utime(torn, ns=(about.st_atime_ns, about.st_mtime_ns))
        if found:
            ready.run("prove", before)
        after = ready.share / "arm-07" / stamp(now() - timedelta(hours=5))
        if how == "renamed":
            (ready.share / before).rename(after)
        elif how == "copied":
            shutil.copytree(ready.share / before, after, copy_function=shutil.copy2)
        else:
            with monkeypatch.context() as there:  # a zip has the local times of whoever packed it
                there.setenv("TZ", "Europe/Berlin")
                time.tzset()
                shutil.make_archive(str(after), how, ready.share / before)
            time.tzset()
        shutil.rmtree(ready.share / before, ignore_errors=True)
        ready.look()
        ready.prove()
        assert [each["proof"] for each in ready.sets("arm-07")] == ["damaged"]
        assert "damaged-set" in ready.ask("arm-07").codes
        assert f"of all files of {before}, and another content" in ready.ask("arm-07").out

    def test_a_sound_one_is_as_good_as_it_was(self, ready: Plant) -> None:
        (before,) = (each["path"] for each in ready.sets("arm-07"))
        (ready.share / before).rename(ready.share / "arm-07" / stamp(now() - timedelta(hours=5)))
        ready.look()
        ready.prove()
        assert ready.ask("arm-07").codes <= {"refiled-copy"}

    def test_what_turns_up_together_may_have_been_given_one_time_together(self, ready: Plant) -> None:
        """As where somebody unpacks or copies what was saved on several days, in one moment."""
        taken = now() - timedelta(hours=3)
        paths = [ready.save("arm-07", timedelta(hours=hours)) for hours in (2, 1)]
        for number, path in enumerate(paths):
            (ready.share / path / "history/log.txt").write_bytes(f"save {number}".encode())
            touch(ready.share / path, taken)
        ready.look()
        ready.prove()
        assert "damaged" not in [each["proof"] for each in ready.sets("arm-07")]

    def test_times_that_cannot_be_believed_tell_nothing(self, ready: Plant) -> None:
        """As where a controller without a clock gives all files of all saves one time."""
        for hours in (2, 1):
            path = ready.save("arm-07", timedelta(hours=hours))
            (ready.share / path / "history/log.txt").write_bytes(f"save {hours}".encode())
            touch(ready.share / path, datetime(1980, 1, 1, tzinfo=UTC))
            ready.look()
        ready.prove()
        assert "damaged" not in [each["proof"] for each in ready.sets("arm-07")]


class Going(frozenset[str]):
    """The ids of the arms; the first time that one is looked up among them, the share goes away."""

    go: Callable[[], object] | None = None

    def __contains__(self, arm: object) -> bool:
        go, self.go = self.go, None
        if go is not None:
            go()
        return super().__contains__(arm)


@pytest.mark.parametrize("only", [None, "arm-07"])
@pytest.mark.parametrize("mounted_over", [True, False])
def test_a_share_that_goes_away_while_it_is_listed_lost_no_set(
    plant: Plant, only: str | None, *, mounted_over: bool
) -> None:
    plant.save("arm-07")
    plant.save("arm-07", timedelta(days=2))
    plant.save("arm-09")
    plant.configure(share='layout = ["{area}/{arm}/{taken:%Y-%m-%d_%H%M}"]')
    (plant.share / "1").mkdir()
    for arm in plant.arms:
        (plant.share / arm).rename(plant.share / "1" / arm)
    plant.ready()
    before = plant.sets()
    desk = Desk(load(str(plant.config)))
    arms = Going(plant.arms)

    def go() -> None:
        away(plant)
        if mounted_over:
            plant.share.mkdir()

    arms.go = go
    ground = desk.ground()._replace(arms=arms)
    with pytest.raises((ShareDoubtful, ShareUnreadable)):
        look(ground, 0, desk.catalogue, now, now, Silent(), only)
    plant.share.rmdir() if mounted_over else None
    (plant.root / "elsewhere").rename(plant.share)
    assert plant.sets() == before


class TestVanished:
    """Nearly everything gone at once is a doubt about the share and no loss of sets."""

    def test_it_stays_a_doubt_until_a_person_believes_it(self, ready: Plant) -> None:
        for folder in ("arm-07", "arm-09"):
            shutil.rmtree(ready.share / folder)
        looked = ready.run("look")
        assert (looked.code, "2 of 2 sets" in looked.err) == (1, True)
        assert "share-doubt" in ready.ask("arm-07").codes

        believed = ready.run("look", "--accept-vanished")
        assert believed.code == 0
        asked = ready.ask("arm-07")
        assert (asked.code, asked.codes) == (20, {"no-backup"})

    def test_looks_at_each_arm_do_not_believe_it_one_by_one(self, ready: Plant) -> None:
        """As the monitor looks, where the system tells it of each change."""
        before = ready.sets("arm-07")
        elsewhere = away(ready)
        ready.share.mkdir()
        shutil.copy2(elsewhere / ".guard-share.json", ready.share)
        for arm in ready.arms:
            assert "0 gone" in ready.look("--arm", arm).out
        assert "2 of 2 sets" in ready.run("look").err
        assert f"missing     {before[0]['path']}: whether" in ready.look("--arm", "arm-07").out
        shutil.rmtree(ready.share)
        elsewhere.rename(ready.share)
        ready.look()
        assert ready.sets("arm-07") == before
        assert ready.ask("arm-07").code == 0

    def test_a_look_at_one_arm_tells_of_one_set_that_went(self, ready: Plant) -> None:
        ready.save("arm-07", timedelta(days=1))
        ready.look()
        shutil.rmtree(ready.share / ready.sets("arm-07")[0]["path"])
        assert "1 gone" in ready.look("--arm", "arm-07").out

    def test_a_look_at_one_arm_does_not_lift_the_doubt_about_the_share(self, tmp_path: Path) -> None:
        arms = tuple(f"arm-{n:02}" for n in range(1, 12))
        plant = Plant(tmp_path / "wide", arms)
        for arm in arms:
            plant.save(arm)
        plant.ready()
        for arm in arms[1:]:
            shutil.rmtree(plant.share / arm)
        assert plant.run("look").code == 1
        plant.run("look", "--arm", arms[0])
        asked = plant.ask(arms[0])
        assert (asked.code, asked.codes) == (30, {"share-doubt"})

    def test_one_set_of_many_is_gone_and_no_doubt(self, ready: Plant) -> None:
        shutil.rmtree(ready.share / "arm-09")
        assert ready.look().code == 0
        asked = ready.ask("arm-09")
        assert (asked.code, asked.codes) == (20, {"no-backup"})
        assert ready.ask("arm-07").code == 0

    def test_ask_sees_at_once_that_the_set_is_gone(self, ready: Plant) -> None:
        (ready.share / "arm-07").rename(ready.root / "arm-07")
        asked = ready.ask("arm-07")
        assert (asked.code, asked.answer["set"]) == (20, None)


class TestUnreadable:
    """What is unreadable is neither there nor gone."""

    def test_an_arm_s_folder_is_unknown_and_not_gone(self, ready: Plant) -> None:
        user = as_ordinary_user()
        (ready.share / "arm-07").chmod(0)
        asked = ready.run("ask", "--arm", "arm-07", "--json", before=user)
        assert (asked.code, asked.codes) == (30, {"share-offline"})
        assert ready.run("ask", "--arm", "arm-09", "--json", before=user).code == 0
        looked = ready.run("look", before=user)
        assert (looked.code, "unreadable" in looked.out, "1 gone" in looked.out) == (0, True, False)
        (ready.share / "arm-07").chmod(0o755)
        assert ready.run("ask", "--arm", "arm-07", "--json", before=user).code == 0

    def test_a_file_that_cannot_be_read_is_no_damage_and_no_proof(self, ready: Plant) -> None:
        user = as_ordinary_user()
        path = ready.save("arm-07", timedelta(hours=1))
        (ready.share / path / "memory.bin").chmod(0)
        looked = ready.run("look", before=user)
        assert "memory.bin cannot be read: Permission denied" in looked.out
        asked = ready.run("ask", "--arm", "arm-07", "--json", before=user)
        (found,) = asked.answer["findings"]
        assert (asked.code, found["code"]) == (10, "unsettled-newer")
        assert "memory.bin cannot be read: Permission denied" in found["message"]

    def test_a_proven_set_that_cannot_be_read_back_is_no_longer_clear(self, ready: Plant) -> None:
        user = as_ordinary_user()
        path = ready.ask("arm-07").answer["set"]["path"]
        program = ready.share / path / "programs/main.txt"
        program.chmod(0)
        assert ready.run("prove", path, before=user).code == 20
        asked = ready.ask("arm-07")
        assert (asked.code, asked.codes) == (20, {"not-read-back"})
        program.chmod(0o644)
        assert ready.run("prove", path, before=user).code == 0
        assert ready.ask("arm-07").code == 0


class TestChanges:
    """`ask` looks at every file of the set that carries the answer before it answers."""

    @pytest.mark.parametrize(
        ("change", "what"),
        [
            pytest.param(lambda s: (s / "programs/main.txt").write_bytes(b"x"), "bytes instead of", id="size"),
            pytest.param(lambda s: (s / "programs/main.txt").unlink(), "is missing", id="missing"),
            pytest.param(lambda s: (s / "programs/new.txt").write_bytes(b"x"), "is new", id="new"),
            pytest.param(lambda s: os.utime(s / "memory.bin", (1, 1)), "was written since", id="time"),
            pytest.param(lambda s: (s / "memory.bin").rename(s / "memory.old"), "memory.bin is missing", id="renamed"),
        ],
    )
    def test_a_change_is_seen_without_a_look(self, ready: Plant, change: object, what: str) -> None:
        path = ready.ask("arm-07").answer["set"]["path"]
        change(ready.share / path)  # type: ignore[operator]
        asked = ready.ask("arm-07")
        assert asked.code == 20
        (found,) = [f for f in asked.answer["findings"] if f["code"] == "damaged-set"]
        assert (found["level"], what in found["message"]) == ("hold", True)

    def test_an_older_sound_set_carries_the_answer_and_the_newer_is_told(self, plant: Plant) -> None:
        old, new = plant.save("arm-07", timedelta(days=2)), plant.save("arm-07", timedelta(hours=2))
        plant.ready()
        plant.run("prove", old)
        (plant.share / new / "memory.bin").write_bytes(b"short")
        asked = plant.ask("arm-07")
        assert (asked.code, asked.codes, asked.answer["set"]["path"]) == (10, {"damaged-set"}, old)

    def test_changed_content_is_damage_and_stays_damage(self, ready: Plant) -> None:
        path = ready.ask("arm-07").answer["set"]["path"]
        (ready.share / path / "programs/main.txt").write_bytes(b"other content")
        looked = ready.look()
        assert "the content of programs/main.txt differs" in looked.out
        assert [s["proof"] for s in ready.sets()] == ["damaged"]
        ready.look()
        ready.prove()
        assert [s["proof"] for s in ready.sets()] == ["damaged"]
        assert ready.ask("arm-07").code == 20

    @pytest.mark.parametrize("form", ["folder", "archive"])
    def test_new_times_are_no_damage_once_the_content_was_read_again(self, plant: Plant, form: str) -> None:
        """As an indexer or a move to another disk sets them; one look settles it, and the next need not read again."""
        path = plant.save("arm-07")
        if form == "archive":
            shutil.make_archive(str(plant.share / path), "zip", plant.share / path)
            shutil.rmtree(plant.share / path)
            path += ".zip"
        plant.ready()
        captured = plant.ask().answer["set"]["captured_at"]
        touch(plant.share / path, now()) if form == "folder" else os.utime(plant.share / path)
        assert "damaged-set" in plant.ask().codes
        plant.look()
        asked = plant.ask()
        assert (asked.code, asked.answer["set"]["captured_at"]) == (0, captured)
        entries = plant.run("ledger", "check", "--json").json["entries"]
        plant.look()
        assert plant.run("ledger", "check", "--json").json["entries"] == entries

    @pytest.mark.parametrize("newer", [None, timedelta(hours=1)])
    def test_so_it_is_where_a_newer_set_was_not_read_back_yet(self, plant: Plant, newer: timedelta | None) -> None:
        """The set that carries the answer is looked at closely, whether or not it is the newest."""
        path = plant.save("arm-07", timedelta(hours=5))
        plant.ready()
        os.utime(plant.share / path / "memory.bin", (1, 1))
        if newer is not None:
            plant.save("arm-07", newer)
        assert "damaged-set" in plant.ask().codes
        plant.look()
        asked = plant.ask()
        assert (asked.answer["set"]["path"], "damaged-set" in asked.codes) == (path, False)
        assert ("unsettled-newer" in asked.codes) == (newer is not None)

    def test_in_place_a_carrying_set_is_found_damaged_by_a_look_though_a_newer_one_waits(self, plant: Plant) -> None:
        path = plant.save("arm-07", timedelta(hours=5))
        plant.ready()
        plant.save("arm-07", timedelta(hours=1))
        (plant.share / path / "memory.bin").write_bytes(b"short")
        plant.look()
        assert [each["proof"] for each in plant.sets()].count("damaged") == 1
        assert "damaged-set" in plant.ask().codes

    def test_rot_that_keeps_size_and_time_is_found_by_the_read_back(self, ready: Plant) -> None:
        path = ready.ask("arm-07").answer["set"]["path"]
        image = ready.share / path / "memory.bin"
        times = image.stat()
        data = bytearray(image.read_bytes())
        data[1000] ^= 1
        with image.open("r+b") as file:
            file.write(data)
        os.utime(image, ns=(times.st_atime_ns, times.st_mtime_ns))
        proved = ready.run("prove", path)
        assert (proved.code, "memory.bin" in proved.out) == (20, True)
        assert (ready.ask("arm-07").code, ready.ask("arm-07").codes) == (20, {"damaged-set"})

    def test_damage_that_was_mended_is_taken_back_by_a_person_s_read_back_only(self, ready: Plant) -> None:
        path = ready.ask("arm-07").answer["set"]["path"]
        program = ready.share / path / "programs/main.txt"
        right = program.read_bytes()
        program.write_bytes(b"wrong")
        ready.look()
        program.write_bytes(right)
        ready.look()
        assert ready.ask("arm-07").code == 20
        proved = ready.run("prove", path)
        assert (proved.code, "although it was noted as damaged before" in proved.out) == (0, True)
        assert ready.ask("arm-07").code == 0

    @pytest.mark.parametrize("rebuild", [False, True], ids=["as-it-is", "rebuilt"])
    def test_damage_that_went_away_and_came_back_is_damage_still(self, ready: Plant, rebuild: bool) -> None:  # noqa: FBT001
        path = ready.ask("arm-07").answer["set"]["path"]
        program = ready.share / path / "programs/main.txt"
        right = program.read_bytes()
        program.write_bytes(b"wrong")
        ready.look()
        (ready.share / path).rename(ready.root / "aside")
        ready.look()
        if rebuild:
            (ready.root / "state/catalogue.db").write_bytes(b"spoiled")
            assert ready.run("look", "--rebuild", "--yes").code == 0
        (ready.root / "aside").rename(ready.share / path)
        ready.look()
        ready.prove()
        assert [s["proof"] for s in ready.sets()] == ["damaged"]
        assert ready.ask("arm-07").code == 20

        (ready.share / path).rename(ready.root / "aside")
        ready.look()
        (ready.root / "aside/programs/main.txt").write_bytes(right)
        (ready.root / "aside").rename(ready.share / path)
        ready.look()
        ready.prove()
        assert ready.ask("arm-07").code == 0

    def test_files_added_to_a_proven_set_begin_its_proof_anew(self, ready: Plant) -> None:
        path = ready.ask("arm-07").answer["set"]["path"]
        (ready.share / path / "late.txt").write_bytes(b"late")
        ready.look()
        assert [s["proof"] for s in ready.sets()] == ["complete"]
        assert ready.ask("arm-07").codes == {"not-read-back"}

    def test_an_incomplete_set_that_is_completed_is_taken_anew(self, plant: Plant) -> None:
        files = content("arm-07")
        image = files.pop("memory.bin")
        path = plant.save("arm-07", files=files)
        plant.ready()
        assert plant.ask("arm-07").codes == {"incomplete-set"}
        (plant.share / path / "memory.bin").write_bytes(image)
        plant.look()
        plant.prove()
        assert plant.ask("arm-07").code == 0

    def test_a_torn_file_that_is_replaced_is_no_damage(self, ready: Plant) -> None:
        """In an older set only a read-back sees it: nothing of it was ever right, so it is looked at anew."""
        whole = content("arm-07")
        path = ready.save("arm-07", timedelta(days=3), files=whole | {"axis-zero.csv": b"torn"})
        ready.look()
        (ready.share / path / "axis-zero.csv").write_bytes(whole["axis-zero.csv"])
        proved = ready.run("prove", path)
        assert "it has changed since it was read" in proved.out
        ready.look()
        assert ready.run("prove", path).code == 0
        assert [each["proof"] for each in ready.sets()] == ["read-back", "read-back"]

    def test_a_new_recipe_judges_old_sets_anew(self, ready: Plant) -> None:
        wider = '[recipes.standard]\n[recipes.standard.parts.signals]\nfiles = ["signals/**"]\n'
        ready.configure(recipe=wider)
        assert ready.ask("arm-07").codes == {"incomplete-set"}
        ready.look()
        assert "signals: no file" in ready.sets()[0]["problems"][0]["message"]
        ready.configure()
        ready.look()
        assert ready.ask("arm-07").code == 0


class TestArriving:
    """A copy in progress is left alone until it has settled."""

    def test_a_set_that_just_changed_is_arriving(self, plant: Plant) -> None:
        plant.config.write_text(plant.config.read_text().replace('settle = "0s"', 'settle = "1h"'))
        plant.save("arm-07")
        plant.init()
        looked = plant.look()
        assert "may settle by" in looked.out
        assert [s["proof"] for s in plant.sets()] == ["arriving"]
        asked = plant.ask("arm-07")
        assert (asked.code, asked.codes) == (20, {"no-backup", "unsettled-newer"})

    def test_a_short_settle_time_is_waited_for(self, plant: Plant) -> None:
        plant.config.write_text(plant.config.read_text().replace('settle = "0s"', 'settle = "1s"'))
        plant.save("arm-07")
        plant.init()
        plant.look()
        assert [s["proof"] for s in plant.sets()] == ["complete"]

    def test_a_set_not_looked_at_yet_is_told_while_an_older_one_carries(self, plant: Plant) -> None:
        old = plant.save("arm-07", timedelta(days=1))
        plant.ready()
        plant.save("arm-07", timedelta(hours=1))
        asked = plant.ask("arm-07")
        assert (asked.code, asked.codes, asked.answer["set"]["path"]) == (10, {"unsettled-newer"}, old)


class TestForeign:
    """A share full of foreign folders is no plant's share, and says so."""

    def test_nothing_found_is_said(self, plant: Plant) -> None:
        for name in ("photos/2024", "music", "arm-99/2026-11-01_0510"):
            (plant.share / name).mkdir(parents=True)
        plant.init()
        looked = plant.look()
        assert "No backup set was found" in looked.out
        assert "no arm called arm-99 is configured" in looked.out
        assert plant.ask("arm-07").codes == {"no-backup"}

    def test_nasty_names_are_shown_harmless_everywhere(self, plant: Plant) -> None:
        files = content("arm-07")
        nasty = ["programs/a\nb", "programs/\x1b[31mred", "programs/\u202egnp.txt", "programs/[bold]x[/bold]"]
        files |= dict.fromkeys(nasty, b"x")
        path = plant.save("arm-07", files=files)
        raw = os.fsencode(plant.share / path) + b"/programs/\xff\xfe"
        with open(raw, "wb") as file:
            file.write(b"x")
        touch(plant.share / path, now())
        (plant.share / "arm-07" / "odd\x1b[2J\n").mkdir()
        plant.ready()
        for words in (
            ("ask", "--arm", "arm-07"),
            ("sets",),
            ("set", "show", path),
            ("fleet",),
            ("look",),
            ("ledger", "show"),
        ):
            shown = plant.run(*words)
            assert shown.code in (0, 10, 20), shown
            for sign in ("\x1b", "\u202e", "\r"):
                assert sign not in shown.out, words
        assert plant.ask("arm-07").codes == {"odd-entry"}


def test_links_and_devices_are_not_followed_and_told(plant: Plant) -> None:
    path = plant.save("arm-07")
    (plant.share / path / "programs/link").symlink_to("/etc/hostname")
    os.mkfifo(plant.share / path / "programs/pipe")
    plant.ready()
    asked = plant.ask("arm-07")
    assert (asked.code, asked.codes) == (10, {"odd-entry"})
    (found,) = asked.answer["findings"]
    assert found["evidence"]["count"] == 2
    assert plant.sets()[0]["files"] == 6


def test_a_linked_arm_folder_is_not_followed(plant: Plant) -> None:
    plant.save("arm-07")
    (plant.share / "arm-07").rename(plant.root / "outside")
    (plant.share / "arm-07").symlink_to(plant.root / "outside")
    plant.ready()
    asked = plant.ask("arm-07")
    assert (asked.code, "no-backup" in asked.codes) == (20, True)


def test_a_stamp_past_the_end_of_the_calendar_is_an_odd_entry(plant: Plant) -> None:
    text = plant.config.read_text()
    plant.config.write_text(text.replace("settle =", 'layout = ["{arm}/{taken:%Y-%j}"]\nsettle ='))
    plant.save("arm-07", name="9999-366")
    plant.save("arm-07", name="0001-000")
    plant.init()
    looked = plant.look()
    assert looked.out.count("the date in its name does not exist") == 2


def test_a_file_time_past_what_the_catalogue_holds_stops_nothing(plant: Plant) -> None:
    path = plant.save("arm-07")
    program = plant.share / path / "programs/main.txt"
    os.utime(program, (2**34 - 1, 2**34 - 1))
    if program.stat().st_mtime_ns < 2**63:
        pytest.skip("this file system holds no time that late")
    plant.save("arm-09")
    plant.configure()
    plant.init()
    plant.look()
    plant.look()
    assert [s["proof"] for s in plant.sets("arm-09")] == ["complete"]
    assert len(plant.sets("arm-07")) == 1
