"""Carrying a set to a medium: the bag, what is refused, what is never overwritten, and the sheet that goes with it."""

from __future__ import annotations

import html
import json
import os
import shutil
import subprocess
import tarfile
from datetime import timedelta
from pathlib import Path

import bagit
import pytest

from guard.carry import carry, choose_set
from guard.clock import now
from guard.desk import Desk
from guard.load import load
from guard.share.look import Silent
from guard.share.refusals import MOST, DestRefused, MediumFailed, NamesRefused, NotRestorable, Unfit
from guard.tell.cautions import CAUTIONS
from tests.plant import Plant, Result, content, touch
from tests.reading import faults, sealed

HOUR = timedelta(hours=1)


@pytest.fixture(scope="module")
def kept(tmp_path_factory: pytest.TempPathFactory) -> tuple[Plant, str]:
    """A plant in which arm-07 has one proven set, and the path of that set; not to be changed."""
    made = Plant(tmp_path_factory.mktemp("kept") / "plant")
    path = made.save("arm-07")
    made.ready()
    return made, path


@pytest.fixture
def ready(kept: tuple[Plant, str], tmp_path: Path) -> Plant:
    """That plant once more, as `plant` is."""
    return kept[0].copy(tmp_path / "plant")


@pytest.fixture
def path(kept: tuple[Plant, str]) -> str:
    """The path of its set."""
    return kept[1]


@pytest.fixture
def usb(tmp_path: Path) -> Path:
    """A medium, which is a folder as any other."""
    folder = tmp_path / "usb"
    folder.mkdir()
    return folder


def bag_in(usb: Path) -> Path:
    """The one bag on the medium."""
    (found,) = (each for each in usb.iterdir() if each.is_dir())
    return found


def entries(plant: Plant) -> list[dict[str, object]]:
    """What the ledger tells of sets that were carried."""
    told = plant.run("ledger", "show", "--last", "0", "--json").json["entries"]
    return [json.loads(each["body"]) for each in told if each["kind"] == "carry"]


def snapshot(folder: Path) -> dict[str, bytes | None]:
    """Everything in a folder."""
    return {str(each.relative_to(folder)): each.read_bytes() if each.is_file() else None for each in folder.rglob("*")}


class TestTheBag:
    def test_is_valid_for_the_package_for_us_and_for_coreutils(self, ready: Plant, path: str, usb: Path) -> None:
        done = ready.run("carry", "arm-07", str(usb))

        assert done.code == 0, done
        folder = bag_in(usb)
        bagit.Bag(str(folder)).validate()
        assert faults(sealed(folder)) == []
        fingerprint = ready.sets()[0]["fingerprint"]
        check = "find . -type f -printf '%P\\0' | LC_ALL=C sort -z | xargs -0 sha256sum | sha256sum"
        assert check in done.out
        told = subprocess.run(check, shell=True, cwd=folder / "data", capture_output=True, text=True, check=True)  # noqa: S602
        assert told.stdout.split()[0] == fingerprint
        subprocess.run(["sha256sum", "-c", "manifest-sha256.txt"], cwd=folder, capture_output=True, check=True)
        assert bagit.Bag(str(folder)).info == {
            "Source-Organization": "Ridgemoor Castings",
            "External-Identifier": path,
            "Bagging-Date": bagit.Bag(str(folder)).info["Bagging-Date"],
            "Bag-Software-Agent": "swap-guard 0.1.0",
            "Arm": "arm-07",
            "Controller-Serial": "RC-0771",
            "Captured-At": ready.sets()[0]["captured_at"],
            "Fingerprint": fingerprint,
            "Payload-Oxum": f"{sum(each.stat().st_size for each in (folder / 'data').rglob('*.*'))}.6",
        }

    def test_keeps_the_times_of_the_files(self, ready: Plant, path: str, usb: Path) -> None:
        ready.run("carry", "arm-07", str(usb))

        for name in content("arm-07"):
            was, now = (ready.share / path / name).stat(), (bag_in(usb) / "data" / name).stat()
            assert (was.st_mtime_ns, was.st_size) == (now.st_mtime_ns, now.st_size)

    def test_holds_files_of_unusual_names(self, plant: Plant, usb: Path) -> None:
        names = [
            "new\nline",
            "carriage\rreturn",
            "back\\slash",
            " leading",
            "grüße",
            "~x",
            "*star",
            "a:b",
        ]
        files = content("arm-07") | {f"programs/{name}": name.encode() for name in names}
        plant.save("arm-07", files=files)
        plant.ready()
        done = plant.run("carry", "arm-07", str(usb))

        assert done.code == 0, done
        bagit.Bag(str(bag_in(usb))).validate()
        assert {name: (bag_in(usb) / "data" / name).read_bytes() for name in files} == files

    def test_holds_a_percent_sign_as_the_rfc_wants_it(self, plant: Plant, usb: Path) -> None:
        """RFC 8493 2.1.3: it is percent-encoded in manifests, which the `bagit` package does not undo."""
        files = content("arm-07") | {f"programs/{name}": b"x" for name in ("100%", "%0A", "50%25")}
        plant.save("arm-07", files=files)
        plant.ready()
        done = plant.run("carry", "arm-07", str(usb))

        assert done.code == 0, done
        assert "  data/programs/100%25\n" in (bag_in(usb) / "manifest-sha256.txt").read_text()
        assert faults(sealed(bag_in(usb))) == []

    def test_is_refused_a_name_that_no_bag_can_tell(self, plant: Plant, usb: Path) -> None:
        path = plant.save("arm-07")
        (plant.share / os.fsencode(path).decode() / "programs").mkdir(exist_ok=True)
        with open(os.fsencode(plant.share / path) + b"/programs/\xff", "wb") as file:
            file.write(b"x")
        plant.ready()
        done = plant.run("carry", "arm-07", str(usb))

        assert (done.code, list(usb.iterdir())) == (2, [])
        assert "is no UTF-8, in which a bag names its files" in done.err

    @pytest.mark.parametrize("form", ["zip", "tar", "gztar"])
    @pytest.mark.parametrize("wrapped", [False, True])
    def test_of_an_archive_holds_its_members(self, plant: Plant, usb: Path, form: str, wrapped: bool) -> None:  # noqa: FBT001
        path = plant.save("arm-07", files=content("arm-07") | {"programs/2026/x.bin": bytes(300_000)})
        folder = plant.share / path
        root, inner = (folder.parent, folder.name) if wrapped else (folder, ".")
        packed = shutil.make_archive(str(plant.root / "packed"), form, root, inner)
        shutil.rmtree(folder)
        suffix = {"gztar": "tgz"}.get(form, form)
        Path(packed).rename(folder.with_name(f"{folder.name}.{suffix}"))
        plant.ready()
        done = plant.run("carry", "arm-07", str(usb))

        assert done.code == 0, done
        bagit.Bag(str(bag_in(usb))).validate()
        assert sealed(bag_in(usb) / "data").fingerprint == plant.sets()[0]["fingerprint"]

    def test_of_an_archive_holds_members_that_repeat_others(self, plant: Plant, usb: Path) -> None:
        path = plant.save("arm-07")
        folder = plant.share / path
        for copy in ("a", "b"):  # which tar stores as links
            os.link(folder / "memory.bin", folder / f"programs/{copy}.bin")
        (folder / "programs/equal.txt").write_bytes((folder / "programs/main.txt").read_bytes())
        with tarfile.open(f"{folder}.tar", "w") as archive:
            archive.add(folder, ".")
        shutil.rmtree(folder)
        plant.ready()
        done = plant.run("carry", "arm-07", str(usb))

        assert done.code == 0, done
        assert sealed(bag_in(usb) / "data").fingerprint == plant.sets()[0]["fingerprint"]

    def test_of_a_set_that_is_a_bag_holds_that_bag(self, plant: Plant, usb: Path) -> None:
        path = plant.save("arm-07")
        bagit.make_bag(str(plant.share / path), checksums=["sha256"])
        touch(plant.share / path, now() - 6 * HOUR)
        plant.ready()
        done = plant.run("carry", "arm-07", str(usb))

        assert done.code == 0, done
        bagit.Bag(str(bag_in(usb))).validate()
        bagit.Bag(str(bag_in(usb) / "data")).validate()

    def test_is_written_down_as_one_fact(self, ready: Plant, path: str, usb: Path) -> None:
        done = ready.run("carry", "arm-07", str(usb))

        (told,) = entries(ready)
        assert told["set"] == path
        assert told["fingerprint"] == ready.sets()[0]["fingerprint"]
        assert told["bag"] == str(bag_in(usb))
        assert told["files"] == 6
        assert "Recorded    ledger entry " in done.out
        assert ready.run("ledger", "check").code == 0


class TestTheChoice:
    def test_is_the_newest_proven_one_with_what_would_be_lost(self, plant: Plant, usb: Path) -> None:
        plant.save("arm-07", 50 * HOUR)
        path = plant.save("arm-07", 20 * HOUR)
        plant.ready()
        newer = plant.save("arm-07", 2 * HOUR)
        plant.look()
        plant.run("mark", "edit", "arm-07", "--by", "R. Osei", "--note", "seam 4")
        done = plant.run("carry", "arm-07", str(usb))

        assert done.code == 0
        assert done.out.splitlines()[0] == f"The set to restore on arm-07: {path}"
        assert f"What was new in {newer}, saved " in done.out
        assert ": it was never read back" in done.out
        assert "The edit by R. Osei marked " in done.out

    def test_is_the_one_that_is_named_or_from_before(self, plant: Plant, usb: Path) -> None:
        old = plant.save("arm-07", 50 * HOUR)
        plant.save("arm-07", 20 * HOUR)
        plant.ready()
        named = plant.run("carry", "arm-07", str(usb), "--set", old)
        before = plant.run("carry", "arm-07", str(usb), "--before", "40h ago")
        both = plant.run("carry", "arm-07", str(usb), "--before", "40h ago", "--set", old)
        ahead = plant.run("carry", "arm-07", str(usb), "--before", "in 2h")

        assert (named.code, before.code, both.code, ahead.code) == (0, 0, 2, 2)
        assert f"restore on arm-07: {old}" in named.out
        assert "\nCopied: " in named.out
        assert "\nAlready there: " in before.out
        assert "which is to come" in ahead.err


def refused(plant: Plant, usb: Path, *words: str, code: int = 20) -> Result:
    """A call that must carry nothing."""
    done = plant.run("carry", "arm-07", str(usb), *words)
    assert done.code == code, done
    assert not any(usb.iterdir())
    assert entries(plant) == []
    return done


class TestRefusals:
    def test_of_a_set_that_was_never_read_back(self, plant: Plant, usb: Path) -> None:
        path = plant.save("arm-07")
        plant.init()
        plant.look()

        assert "A set of arm-07 is not carried: no set is complete, was read back" in refused(plant, usb).err
        told = refused(plant, usb, "--set", path).err
        assert told == f"{path} is not carried: it was never read back. Run: guard prove {path}.\n"

    def test_of_a_damaged_set(self, ready: Plant, path: str, usb: Path) -> None:
        (ready.share / path / "memory.bin").write_bytes(b"\1\2" * 40_000)
        ready.look()

        assert (
            f"{path} is not carried: it is damaged: the content of memory.bin differs"
            in refused(ready, usb, "--set", path).err
        )

    def test_of_another_arms_set(self, plant: Plant, usb: Path) -> None:
        other = plant.save("arm-09")
        wrong = plant.save("arm-07", files=content("arm-07") | {"settings.toml": b'serial = "RC-9999"\n'})
        plant.ready()

        assert "it lies among the sets of arm-09" in refused(plant, usb, "--set", other).err
        assert "it names RC-9999, and arm-07 is RC-0771" in refused(plant, usb, "--set", wrong).err

    def test_of_an_incomplete_set(self, plant: Plant, usb: Path) -> None:
        files = content("arm-07")
        del files["memory.bin"]
        path = plant.save("arm-07", files=files)
        plant.ready()

        assert (
            f"{path} is not carried: it is not complete: image: no file like memory.bin"
            in refused(plant, usb, "--set", path).err
        )

    def test_of_a_set_that_was_added_to_since_it_was_chosen(self, ready: Plant, path: str, usb: Path) -> None:
        """As while a person is asked whether it is the right one."""
        desk = Desk(load(str(ready.config)))
        chosen = choose_set(desk, "arm-07").choice.chosen
        assert chosen is not None
        (ready.share / path / "programs/new.txt").write_bytes(b"never read back")
        assert "1 newly sealed" in ready.look().out
        with pytest.raises(NotRestorable, match="changed on the share meanwhile"):
            carry(desk, chosen, "arm-07", str(usb), Silent())
        assert not list(usb.iterdir())

    def test_of_a_set_that_is_unknown(self, plant: Plant, usb: Path) -> None:
        plant.ready()

        assert "No set has the path or fingerprint 'arm-07/x'" in refused(plant, usb, "--set", "arm-07/x", code=2).err

    def test_while_the_share_is_away_or_another(self, ready: Plant, usb: Path) -> None:
        ready.share.rename(ready.root / "away")
        assert "cannot be read" in refused(ready, usb, code=1).err
        ready.share.mkdir()
        assert "it may not be the right one. The share had a marker and has none now" in refused(ready, usb, code=1).err

    @pytest.mark.parametrize("name", ["axis-zero.csv", "programs/weld.txt"])
    def test_of_a_file_that_rotted_unseen_which_is_then_recorded(
        self, ready: Plant, path: str, usb: Path, name: str
    ) -> None:
        where = ready.share / path / name
        before, data = where.stat(), bytearray(where.read_bytes())
        data[3] ^= 1
        where.write_bytes(data)
        os.utime(where, ns=(before.st_atime_ns, before.st_mtime_ns))
        done = ready.run("carry", "arm-07", str(usb))

        assert done.code == 20
        assert f"it differs from what was read before (the content of {name} differs)" in done.err
        assert ready.sets()[0]["proof"] == "damaged"
        assert [each.name.endswith(".incomplete") for each in usb.iterdir()] == [True]
        assert not (bag_in(usb) / "bagit.txt").exists()
        assert entries(ready) == []

    def test_of_an_archive_that_rotted_unseen(self, plant: Plant, usb: Path) -> None:
        path = plant.save("arm-07")
        packed = Path(shutil.make_archive(str(plant.share / path), "tar", plant.share / path))
        shutil.rmtree(plant.share / path)
        plant.ready()
        before, data = packed.stat(), packed.read_bytes()
        packed.write_bytes(data.replace(b"move to rest", b"move to Rest"))
        os.utime(packed, ns=(before.st_atime_ns, before.st_mtime_ns))
        done = plant.run("carry", "arm-07", str(usb))

        assert (done.code, plant.sets()[0]["proof"]) == (20, "damaged")
        assert "what the archive holds is not what was read" in done.err

    @pytest.mark.parametrize("place", ["share", "share/arm-07", "state", "second", "link", "share/not-there-yet"])
    def test_of_a_place_within_share_state_or_copies(self, ready: Plant, usb: Path, place: str) -> None:
        (ready.root / "second").mkdir()
        ready.configure(share='copies = ["second"]')
        (ready.root / "link").symlink_to(ready.share)
        before = snapshot(ready.share)
        done = ready.run("carry", "arm-07", str(ready.root / place))

        assert done.code == 2
        assert f"Nothing was carried to {ready.root / place}: it lies in " in done.err
        assert (snapshot(ready.share), list(usb.iterdir())) == (before, [])

    def test_of_a_place_that_is_not_there_or_no_folder(self, ready: Plant, usb: Path) -> None:
        (usb / "file").write_bytes(b"mine")
        missing = ready.run("carry", "arm-07", str(usb / "nowhere"))
        no_folder = ready.run("carry", "arm-07", str(usb / "file"))

        assert (missing.code, no_folder.code) == (2, 2)
        assert "it is not there. Is the medium in and mounted?" in missing.err
        assert "it is no folder" in no_folder.err
        assert snapshot(usb) == {"file": b"mine"}


class TestNothingIsOverwritten:
    def test_what_is_there_already_is_proven_and_left(self, ready: Plant, usb: Path) -> None:
        ready.run("carry", "arm-07", str(usb))
        before = {each: each.stat().st_mtime_ns for each in usb.rglob("*")}
        again = ready.run("carry", "arm-07", str(usb))

        assert again.code == 0
        assert "\nAlready there: " in again.out
        assert "An earlier sheet stands there and is left as it is: " in again.out
        assert {each: each.stat().st_mtime_ns for each in usb.rglob("*")} == before
        assert len(entries(ready)) == 1

    def test_a_bag_whose_entry_a_kill_left_unwritten_gets_it(self, ready: Plant, usb: Path) -> None:
        before = ready.copy(ready.root.parent / "before")
        ready.run("carry", "arm-07", str(usb))
        assert entries(before) == []
        for _ in range(2):
            assert "\nAlready there: " in before.run("carry", "arm-07", str(usb)).out
            assert len(entries(before)) == 1

    @pytest.mark.parametrize(
        ("name", "data", "what"),
        [
            ("data/memory.bin", b"\1" * 65_544, "data/memory.bin is not what was written"),
            ("data/axis-zero.csv", None, "data/axis-zero.csv is missing"),
            ("data/extra.txt", b"x", "data/extra.txt is no file of the set"),
            ("manifest-sha256.txt", b"", "manifest-sha256.txt is not what was written"),
            ("bagit.txt", None, "bagit.txt is missing"),
            ("bag-info.txt", b"x", "its bag-info.txt does not name this set"),
            ("bag-info.txt", None, "its bag-info.txt cannot be read (No such file or directory)"),
        ],
    )
    def test_a_bag_that_differs_is_refused_and_left(
        self, ready: Plant, usb: Path, name: str, data: bytes | None, what: str
    ) -> None:
        ready.run("carry", "arm-07", str(usb))
        where = bag_in(usb) / name
        where.unlink() if data is None else where.write_bytes(data)
        before = snapshot(usb)
        done = ready.run("carry", "arm-07", str(usb))

        assert (done.code, snapshot(usb)) == (20, before)
        assert f"is there already and is not the set: {what}. Nothing was overwritten" in done.err

    def test_something_else_of_that_name_is_refused_and_left(self, ready: Plant, usb: Path) -> None:
        ready.run("carry", "arm-07", str(usb))
        name = bag_in(usb).name
        for thing in (name, f"{name}.incomplete"):
            shutil.rmtree(usb)
            usb.mkdir()
            (usb / thing).write_bytes(b"mine")
            done = ready.run("carry", "arm-07", str(usb))
            assert (done.code, snapshot(usb)) == (20, {thing: b"mine"}), done

    def test_a_begun_copy_that_is_not_ours_is_refused_and_left(self, ready: Plant, usb: Path) -> None:
        ready.run("carry", "arm-07", str(usb))
        partly = usb / f"{bag_in(usb).name}.incomplete"
        shutil.rmtree(bag_in(usb))
        (partly / "data").mkdir(parents=True)
        (partly / "data/axis-zero.csv").write_bytes(b"mine")
        before = snapshot(usb)
        done = ready.run("carry", "arm-07", str(usb))

        assert (done.code, snapshot(usb)) == (20, before)


class TestTakenUpAgain:
    def begun(self, ready: Plant, usb: Path) -> Path:
        """A copy that was begun: as if it had been killed before its last file."""
        ready.run("carry", "arm-07", str(usb))
        folder = bag_in(usb)
        partly = folder.with_name(f"{folder.name}.incomplete")
        folder.rename(partly)
        for name in ("bagit.txt", "tagmanifest-sha256.txt", "manifest-sha256.txt", "data/memory.bin"):
            (partly / name).unlink()
        (partly / "guard-part").write_bytes(b"half")
        (partly / "guard-probe").mkdir()
        return partly

    def test_only_what_is_missing_is_copied(self, ready: Plant, usb: Path) -> None:
        partly = self.begun(ready, usb)
        there = {each: each.stat().st_ino for each in partly.rglob("*.txt")}
        done = ready.run("carry", "arm-07", str(usb))

        assert done.code == 0, done
        assert "\nTaken up again and finished: " in done.out
        bagit.Bag(str(bag_in(usb))).validate()
        assert {path: (bag_in(usb) / path.relative_to(partly)).stat().st_ino for path in there} == there
        assert sorted(each.name for each in bag_in(usb).iterdir()) == [
            "bag-info.txt", "bagit.txt", "data", "manifest-sha256.txt", "tagmanifest-sha256.txt",
        ]  # fmt: skip

    @pytest.mark.parametrize("data", [pytest.param(b"", id="empty"), pytest.param(b"\0" * 38, id="zeros")])
    def test_what_the_medium_lost_is_noticed(self, ready: Plant, usb: Path, data: bytes) -> None:
        partly = self.begun(ready, usb)
        (partly / "data/programs/main.txt").write_bytes(data)
        done = ready.run("carry", "arm-07", str(usb))

        assert done.code == 20
        assert "data/programs/main.txt " in done.err
        assert "this one may be failing" in done.err

    def test_an_empty_beginning_is_taken_up(self, ready: Plant, usb: Path) -> None:
        partly = self.begun(ready, usb)
        shutil.rmtree(partly)
        partly.mkdir()
        done = ready.run("carry", "arm-07", str(usb))

        assert done.code == 0, done
        bagit.Bag(str(bag_in(usb))).validate()


class TestTheSheet:
    def test_stands_beside_the_bag_and_tells_all(self, ready: Plant, path: str, usb: Path) -> None:
        ready.run("mark", "edit", "arm-07", "--by", "<script>alert(1)</script>", "--note", "\x1b[2Jx & \u202ey")
        done = ready.run("carry", "arm-07", str(usb))
        raw = (usb / f"{bag_in(usb).name}.html").read_text()
        text = html.unescape(raw)

        assert f"To print: {usb / bag_in(usb).name}.html" in done.out
        assert "<script>" not in raw
        assert "&lt;script&gt;" in raw
        assert "\x1b" not in raw + done.out
        assert "\u202e" not in raw + done.out
        for told in (
            path,
            ready.sets()[0]["fingerprint"],
            "RC-0771",
            "Ridgemoor Castings",
            bag_in(usb).name,
            *CAUTIONS,
        ):
            assert told in text
            assert told in done.out or told == "Ridgemoor Castings"
        assert "WARNING" in text
        assert raw.count('<td class="box">') == done.out.count("[ ] ") == 9

    def test_goes_where_it_is_wanted_and_over_nothing(self, ready: Plant, usb: Path) -> None:
        sheet = ready.root / "sheet.html"
        sheet.write_bytes(b"mine")
        there = ready.run("carry", "arm-07", str(usb), "--sheet", str(sheet))
        assert (there.code, sheet.read_bytes(), list(usb.iterdir())) == (2, b"mine", [])
        sheet.unlink()
        done = ready.run("carry", "arm-07", str(usb), "--sheet", str(sheet))
        assert (done.code, sheet.exists(), [each.suffix for each in usb.iterdir() if each.is_file()]) == (0, True, [])

    def test_goes_to_no_folder_of_ours(self, ready: Plant, usb: Path) -> None:
        done = ready.run("carry", "arm-07", str(usb), "--sheet", str(ready.share / "sheet.html"))

        assert (done.code, list(usb.iterdir()), (ready.share / "sheet.html").exists()) == (2, [], False)
        assert f"Nothing was carried to {ready.share}: it lies in the share." in done.err

    def test_that_cannot_be_written_costs_nothing_but_itself(self, ready: Plant, usb: Path) -> None:
        done = ready.run("carry", "arm-07", str(usb), "--sheet", str(ready.root / "nowhere/sheet.html"))

        assert done.code == 0
        assert "The bag is whole, but the sheet " in done.err
        bagit.Bag(str(bag_in(usb))).validate()


def test_refusals_word_themselves() -> None:
    unfit = [Unfit(f"p{number}", "ends in a point or a space") for number in range(MOST + 2)]
    listed = "; ".join(f"'p{number}' ends in a point or a space" for number in range(MOST))
    assert str(NamesRefused("/m", "vfat", unfit)) == (
        f"Nothing was carried to /m: its file system (vfat) cannot hold what is in the set: {listed}; and 2 more."
        " Nothing is renamed, since the controller would not know it again. Take a medium with another file system,"
        " such as exFAT for large files or ext4 for such names, if the controller reads it."
    )
    assert str(MediumFailed("/m", "the medium is full", "/m/x.incomplete", 3, 9)) == (
        "The copy to /m stopped after 3 of 9 files: the medium is full. It is no restore medium yet. What was copied"
        " stands in /m/x.incomplete; once the medium is back and has room, the same command takes it up there."
    )
    assert (
        str(DestRefused("/m", "it is no folder", "Name one."))
        == "Nothing was carried to /m: it is no folder. Name one."
    )
