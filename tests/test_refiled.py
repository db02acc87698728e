"""An old set filed again under a new name, as a person does it with a file browser."""

from __future__ import annotations

import hashlib
import shutil
import sqlite3
import zipfile
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from guard.clock import now
from guard.share.find import LEFT_BY_FILE_BROWSERS
from tests.plant import Plant, content, stamp

OLD = timedelta(days=20)


@pytest.fixture(scope="module")
def prepared(tmp_path_factory: pytest.TempPathFactory) -> Plant:
    """A plant with one set, which is long stale."""
    plant = Plant(tmp_path_factory.mktemp("prepared") / "plant")
    plant.save("arm-07", OLD)
    plant.ready()
    assert "stale-backup" in plant.ask().codes
    return plant


@pytest.fixture
def old(prepared: Plant, plant: Plant) -> str:
    """The path of the one set that there is, which is long stale."""
    shutil.copytree(prepared.root, plant.root, symlinks=True, dirs_exist_ok=True)
    (only,) = (plant.share / "arm-07").iterdir()
    return f"arm-07/{only.name}"


def refile(plant: Plant, old: str, left: str | None = "Thumbs.db") -> str:
    """Copy a set under today's name with new times, as a browser does, and leave its file in it."""
    newer = plant.save("arm-07", timedelta(minutes=5), files=files_of(plant.share / old))
    if left is not None:
        leave(plant.share / newer / left)
    return newer


def files_of(folder: Path) -> dict[str, bytes]:
    return {str(file.relative_to(folder)): file.read_bytes() for file in folder.rglob("*") if file.is_file()}


def leave(file: Path, what: bytes = b"small pictures") -> None:
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_bytes(what)


def captured(plant: Plant) -> dict[str, datetime]:
    return {each["path"]: datetime.fromisoformat(each["captured_at"]) for each in plant.sets()}


def spoil(plant: Plant, statement: str) -> None:
    with sqlite3.connect(plant.root / "state" / "catalogue.db") as db:
        db.execute(statement)
    db.close()


@pytest.mark.parametrize(
    "left",
    [None, *sorted(LEFT_BY_FILE_BROWSERS), "programs/Thumbs.db", "Desktop.ini", "programs/._main.txt"],
    ids=lambda left: str(left).replace("/", "-in-"),
)
def test_it_is_as_old_as_it_was(plant: Plant, old: str, left: str | None) -> None:
    newer = refile(plant, old, left)
    plant.look()
    plant.prove()
    assert {"stale-backup", "refiled-copy"} <= plant.ask().codes
    assert captured(plant)[newer] == captured(plant)[old]


def test_any_other_file_makes_another_backup_of_it(plant: Plant, old: str) -> None:
    refile(plant, old, "MyThumbs.db")
    plant.look()
    plant.prove()
    assert not {"stale-backup", "refiled-copy"} & plant.ask().codes


@pytest.mark.parametrize("packed", ["carried", "listed"])
def test_what_was_packed_anew_is_as_old_as_it_was(plant: Plant, old: str, packed: str) -> None:
    """A bag, as ours for a restore medium, and a list of checksums come with no save."""
    if packed == "carried":
        medium = plant.root / "medium"
        medium.mkdir()
        assert plant.run("carry", "arm-07", str(medium)).code == 0
        (bag,) = (file.parent for file in medium.rglob("bagit.txt"))
        newer = f"arm-07/{stamp(now())}"
        shutil.copytree(bag, plant.share / newer)
    else:
        files = files_of(plant.share / old)
        listed = [f"{hashlib.sha256(data).hexdigest()}  {name}\n" for name, data in files.items()]
        newer = plant.save("arm-07", timedelta(), files={**files, "SHA256SUMS": "".join(listed).encode()})
    plant.look()
    plant.prove()
    assert {"stale-backup", "refiled-copy"} <= plant.ask().codes
    assert {each["proof"] for each in plant.sets()} == {"read-back"}
    assert captured(plant)[newer] == captured(plant)[old]


def test_a_list_that_came_later_makes_no_copy_of_a_set(plant: Plant) -> None:
    path = plant.save("arm-07", timedelta(hours=3), name=stamp(now() - timedelta(hours=2)))
    plant.ready()
    before, files = captured(plant), files_of(plant.share / path)
    listed = [f"{hashlib.sha256(data).hexdigest()}  {name}\n" for name, data in files.items()]
    (plant.share / path / "SHA256SUMS").write_text("".join(listed))
    plant.look()
    plant.prove()
    assert (plant.ask().codes, captured(plant)) == (set(), before)


def test_as_an_archive_it_is_as_old_as_it_was(plant: Plant, old: str) -> None:
    newer = f"arm-07/{stamp(now())}.zip"
    with zipfile.ZipFile(plant.share / newer, "w") as archive:
        for name, data in (files_of(plant.share / old) | {".DS_Store": b"where the icons stand"}).items():
            archive.writestr(name, data)
    plant.look()
    plant.prove()
    assert captured(plant)[newer] == captured(plant)[old]


def test_what_was_left_in_the_original_counts_as_little(plant: Plant) -> None:
    old = plant.save("arm-07", OLD)
    leave(plant.share / old / "Thumbs.db")
    plant.ready()
    newer = refile(plant, old, None)
    (plant.share / newer / "Thumbs.db").unlink()
    plant.look()
    plant.prove()
    assert captured(plant)[newer] == captured(plant)[old]


def test_the_fingerprint_is_over_all_files(plant: Plant, old: str) -> None:
    newer = refile(plant, old)
    plant.look()
    told = {each["path"]: each["fingerprint"] for each in plant.sets()}
    assert told[newer] != told[old]
    assert "Thumbs.db" in plant.run("set", "show", newer, "--sums", "sha256").out


def test_a_file_left_today_does_not_make_the_content_younger(plant: Plant) -> None:
    """Where the original was never seen, the times of what was saved tell how old it is."""
    newer = plant.save("arm-07", OLD, name=stamp(now()))
    leave(plant.share / newer / "Thumbs.db")
    plant.ready()
    assert "stale-backup" in plant.ask().codes


def test_a_rebuild_does_not_lose_it(plant: Plant, old: str) -> None:
    newer = refile(plant, old)
    plant.look()
    before = captured(plant)
    assert before[newer] == before[old]
    leave(plant.share / newer / "memory.bin", b"broken")  # a damaged set is not sealed anew, so the ledger must tell
    plant.look()
    (plant.root / "state" / "catalogue.db").write_bytes(b"spoiled")
    assert plant.run("look", "--rebuild", "--yes").code == 0
    assert captured(plant) == before


@pytest.mark.parametrize("left", ["Thumbs.db", "._main.txt"])
def test_what_was_left_is_no_part_of_a_backup(plant: Plant, left: str) -> None:
    """The programs were not saved, and somebody looked into their empty folder."""
    files = {path: data for path, data in content("arm-07").items() if not path.startswith("programs/")}
    plant.save("arm-07", files={**files, f"programs/{left}": b"how the icons look"})
    plant.ready()
    asked = plant.ask()
    assert "incomplete-set" in asked.codes
    assert "programs: no file like programs/**" in asked.out


def test_it_stands_in_the_ledger_only_where_it_differs(plant: Plant, old: str) -> None:
    newer = refile(plant, old)
    plant.look()
    entries = plant.run("ledger", "show", "--last", "0", "--json").json["entries"]
    assert {
        path: any(path in each["body"] and "essence" in each["body"] for each in entries) for path in (old, newer)
    } == {
        old: False,
        newer: True,
    }


@pytest.mark.parametrize("learns", ["read-back", "equal-set"])
def test_sets_of_an_older_catalogue_learn_it(plant: Plant, learns: str) -> None:
    old = plant.save("arm-07", OLD)
    leave(plant.share / old / "Thumbs.db")
    plant.ready()
    spoil(plant, "ALTER TABLE sets DROP COLUMN essence")
    spoil(plant, "DELETE FROM _sqlite_migrations WHERE name='c003_essence'")
    newer = refile(plant, old, None)
    if learns == "read-back":
        (plant.share / newer / "Thumbs.db").unlink()
        assert plant.run("prove", old).code == 0
    plant.look()
    assert captured(plant)[newer] == captured(plant)[old]


class TestAnOriginalThatIsNoLongerWhatItWas:
    """What a set once held stays known: a copy of that is no younger for what happened to the original since."""

    @pytest.fixture
    def newer(self, plant: Plant, old: str) -> str:
        """The path of a copy that was looked at and read back."""
        newer = refile(plant, old, None)
        plant.look()
        plant.prove()
        return newer

    @staticmethod
    def stays_old(plant: Plant, newer: str) -> None:
        assert {"stale-backup", "refiled-copy"} <= plant.ask().codes
        assert captured(plant)[newer] < now() - timedelta(days=19)

    def test_files_came_into_it(self, plant: Plant, old: str, newer: str) -> None:
        leave(plant.share / old / "programs" / "late.txt")
        assert "1 newly sealed" in plant.look().out
        plant.prove()
        self.stays_old(plant, newer)

    def test_files_came_into_it_and_were_found_by_reading_it_back(self, plant: Plant, old: str, newer: str) -> None:
        leave(plant.share / old / "programs" / "late.txt")
        assert "new files (programs/late.txt), which count once they have settled" in plant.run("prove", old).out
        plant.look()
        plant.prove()
        self.stays_old(plant, newer)

    @pytest.mark.parametrize("what", ["grown", "gone"])
    def test_a_rebuilt_catalogue_knows_it_too(self, plant: Plant, old: str, newer: str, what: str) -> None:
        if what == "grown":
            leave(plant.share / old / "programs" / "late.txt")
        else:
            shutil.rmtree(plant.share / old)
        plant.look()
        assert plant.run("look", "--rebuild", "--yes").code == 0
        plant.prove()
        self.stays_old(plant, newer)

    def test_the_grown_set_itself_counts_anew(self, plant: Plant, old: str, newer: str) -> None:
        before = captured(plant)[old]
        leave(plant.share / old / "programs" / "late.txt")
        plant.look()
        assert captured(plant)[old] == before
        assert [each["path"] for each in plant.sets()] == [old, newer]

    @pytest.mark.parametrize("found_by", ["look", "prove"])
    def test_it_was_never_whole_and_changed(self, plant: Plant, found_by: str) -> None:
        files = content("arm-07", "long ago")
        del files["memory.bin"]
        old = plant.save("arm-07", OLD, files=files)
        newer = refile(plant, old, None)
        plant.init()
        plant.look()
        assert plant.ask().codes == {"incomplete-set", "refiled-copy"}

        leave(plant.share / old / "settings.toml", b'serial = "RC-0771"\n\n')
        if found_by == "prove":
            assert "arriving" in plant.run("prove", old).out
        plant.look()
        assert plant.ask().codes == {"incomplete-set", "refiled-copy"}
        assert captured(plant)[newer] == captured(plant)[old]

        shutil.rmtree(plant.share / newer)
        plant.look()
        assert plant.ask().codes == {"incomplete-set"}  # the original is no copy of itself
