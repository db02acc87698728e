"""The survey of an unknown share: what it proposes must load, and must find every set that was surveyed."""

from __future__ import annotations

import io
import json
import os
import re
import subprocess
import sys
import tarfile
import tomllib
import zipfile
from collections.abc import Callable
from contextlib import redirect_stdout
from pathlib import Path
from typing import Any

import pytest

from guard.cli.main import main
from guard.config import parse
from guard.config_values import Wrong, arm_id
from guard.survey.guess import IdentityGuess, PartGuess, RecipeGuess
from guard.survey.naming import is_arm_id
from guard.survey.proposal import comment, proposal, quoted
from guard.survey.survey import ArmSeen, Survey, survey
from tests.plant import Result, content

ARMS = ("arm-07", "arm-09", "arm-12")
DAYS = ("2026-10-11", "2026-10-18", "2026-10-25", "2026-11-01")


def files_of(arm: str, day: str) -> dict[str, bytes]:
    """The files of a set as tests/plant.py makes them, with signals beside."""
    return content(arm, day) | {"signals.csv": b"input,meaning\n1,part present in the gripper\n2,door shut\n"}


def save(where: Path, files: dict[str, bytes]) -> None:
    for name, data in files.items():
        (where / name).parent.mkdir(parents=True, exist_ok=True)
        (where / name).write_bytes(data)


def pack(where: Path, files: dict[str, bytes]) -> None:
    where.parent.mkdir(parents=True, exist_ok=True)
    if where.suffix == ".zip":
        with zipfile.ZipFile(where, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, data in files.items():
                archive.writestr(name, data)
        return
    with tarfile.open(where, "w:gz" if where.name.endswith("gz") else "w") as archive:
        for name, data in files.items():
            member = tarfile.TarInfo(name)
            member.size = len(data)
            archive.addfile(member, io.BytesIO(data))


def guard(*words: str, cwd: Path, env: dict[str, str] | None = None) -> Result:
    """The real command line in a process of its own."""
    done = subprocess.run(
        [sys.executable, "-m", "guard", *words],
        capture_output=True,
        cwd=cwd,
        env={**os.environ, "TZ": "Europe/Berlin", **(env or {})},
        stdin=subprocess.DEVNULL,
        timeout=60,
        check=False,
    )
    result = Result(done)
    assert "Traceback" not in result.err, result.err
    return result


def words(config: Path, *call: str) -> str:
    """What the command line prints, called within this process."""
    printed = io.StringIO()
    with redirect_stdout(printed):
        code = main(["--config", str(config), *call])
    assert code == 0, printed.getvalue()
    return printed.getvalue()


class Surveyed:
    """A proposal for a share, as text and as TOML."""

    def __init__(self, share: Path) -> None:
        self.root = share.parent
        self.result = guard("survey", str(share), cwd=self.root)
        assert self.result.code == 0, self.result
        self.text = self.result.raw.decode("utf-8")
        self.toml: dict[str, Any] = tomllib.loads(self.text)
        self.doubts = re.sub(r"\n# (?!Doubt)", " ", self.text)

    @property
    def layout(self) -> list[str]:
        layouts: list[str] = self.toml["share"]["layout"]
        return layouts

    @property
    def arms(self) -> dict[str, str]:
        return {arm["id"]: arm.get("area", "") for arm in self.toml["arms"]}

    @property
    def parts(self) -> dict[str, list[str]]:
        return {name: part["files"] for name, part in self.toml["recipes"]["standard"]["parts"].items()}

    @property
    def volatile(self) -> list[str]:
        found: list[str] = self.toml["recipes"]["standard"].get("volatile", [])
        return found

    def found_by_a_look(self) -> dict[str, bool]:
        """The sets that a look with this configuration finds, and whether each is complete."""
        config = self.root / "guard.toml"
        config.write_text(self.text.replace('settle = "2m"', 'settle = "0s"'), encoding="utf-8")
        parse(str(config), config.read_bytes())
        words(config, "look")
        sets = json.loads(words(config, "sets", "--json"))["sets"]
        return {each["path"]: each["proof"] == "complete" for each in sets}


PARTS = {
    "programs": ["programs/**"],
    "axis-zero": ["axis-zero.csv"],
    "settings": ["settings.toml"],
    "signals": ["signals.csv"],
    "image": ["memory.bin"],
    "history": ["history/**"],
}

AREAS = {"arm-07": "finishing", "arm-09": "finishing", "arm-12": "welding"}
NO_AREAS = dict.fromkeys(ARMS, "")


def compact(day: str) -> str:
    return day.replace("-", "")


def german(day: str) -> str:
    return ".".join(reversed(day.split("-")))


Name = Callable[[str, str], str]

FAMILIES: list[Any] = [
    pytest.param(lambda a, d: f"{a}/{d}_0510", "{arm}/{taken:%Y-%m-%d_%H%M}", NO_AREAS, id="arm-date"),
    pytest.param(lambda a, d: f"{a}/{compact(d)}", "{arm}/{taken:%Y%m%d}", NO_AREAS, id="arm-day"),
    pytest.param(lambda a, d: f"{d}/{a}", "{taken:%Y-%m-%d}/{arm}", NO_AREAS, id="date-arm"),
    pytest.param(lambda a, d: f"{d}/{a}.zip", "{taken:%Y-%m-%d}/{arm}", NO_AREAS, id="date-arm-zip"),
    pytest.param(lambda a, d: f"{a}_{compact(d)}.zip", "{arm}_{taken:%Y%m%d}", NO_AREAS, id="flat-zip"),
    pytest.param(
        lambda a, d: f"{a}_{compact(d)}T051000.tar.gz", "{arm}_{taken:%Y%m%dT%H%M%S}", NO_AREAS, id="flat-tgz"
    ),
    pytest.param(lambda a, d: f"{a}-{d}.tar", "{arm}-{taken:%Y-%m-%d}", NO_AREAS, id="flat-tar"),
    pytest.param(lambda a, d: f"backup_{a}_{compact(d)}", "backup_{arm}_{taken:%Y%m%d}", NO_AREAS, id="flat-with-word"),
    pytest.param(
        lambda a, d: f"{AREAS[a]}/{a}/{d}_0510", "{area}/{arm}/{taken:%Y-%m-%d_%H%M}", AREAS, id="area-arm-date"
    ),
    pytest.param(lambda a, d: f"{d}/{AREAS[a]}/{a}", "{taken:%Y-%m-%d}/{area}/{arm}", AREAS, id="date-area-arm"),
    pytest.param(lambda a, d: f"{AREAS[a]}/{a}_{d}.zip", "{area}/{arm}_{taken:%Y-%m-%d}", AREAS, id="area-flat-zip"),
    pytest.param(lambda a, d: f"{a}/{d}/0510", "{arm}/{taken:%Y-%m-%d}/{taken:%H%M}", NO_AREAS, id="arm-date-time"),
    pytest.param(lambda a, d: f"{d}/{a}/05-10", "{taken:%Y-%m-%d}/{arm}/{taken:%H-%M}", NO_AREAS, id="date-arm-time"),
    pytest.param(
        lambda a, d: f"{a}/{d.replace('-', '/')}", "{arm}/{taken:%Y}/{taken:%m}/{taken:%d}", NO_AREAS, id="arm-y-m-d"
    ),
    pytest.param(
        lambda a, d: f"{d.replace('-', '/')}/{a}", "{taken:%Y}/{taken:%m}/{taken:%d}/{arm}", NO_AREAS, id="y-m-d-arm"
    ),
    pytest.param(lambda a, d: f"{d}_{a}", "{taken:%Y-%m-%d}_{arm}", NO_AREAS, id="arm-within-date-folder"),
    pytest.param(
        lambda a, d: f"{d}/{a}_0510", "{taken:%Y-%m-%d}/{arm}_{taken:%H%M}", NO_AREAS, id="arm-with-time-below-date"
    ),
    pytest.param(lambda a, d: f"{a}/{a}_{compact(d)}", "{arm}/{arm}_{taken:%Y%m%d}", NO_AREAS, id="arm-twice"),
    pytest.param(lambda a, d: f"backups/{a}/{d}", "backups/{arm}/{taken:%Y-%m-%d}", NO_AREAS, id="below-one-folder"),
    pytest.param(lambda a, d: f"{a}/{german(d)}", "{arm}/{taken:%d.%m.%Y}", NO_AREAS, id="day-first"),
    pytest.param(lambda a, d: f"{a} ({d})", "{arm} ({taken:%Y-%m-%d})", NO_AREAS, id="in-brackets"),
    pytest.param(
        lambda a, d: f"{a}/2026-{284 + 7 * DAYS.index(d)}", "{arm}/{taken:%Y-%j}", NO_AREAS, id="day-of-the-year"
    ),
    pytest.param(lambda a, d: f"{a}/{d}T05-10-00Z", "{arm}/{taken:%Y-%m-%dT%H-%M-%S%z}", NO_AREAS, id="with-offset"),
    pytest.param(
        lambda a, d: f"{a}/auto/{d}" if d > "2026-10-20" else f"{a}/manual/{d}",
        "{arm}/{any}/{taken:%Y-%m-%d}",
        NO_AREAS,
        id="kinds-below-the-arm",
    ),
]


def share_of(root: Path, name: Name) -> tuple[Path, set[str]]:
    """A share with a set of every arm and day, and the paths of its sets."""
    share = root / "share"
    paths = set()
    for arm in ARMS:
        for day in DAYS:
            path = name(arm, day)
            paths.add(path)
            put = pack if re.search(r"\.(zip|tar|tar\.gz)$", path) else save
            put(share / path, files_of(arm, day))
    return share, paths


@pytest.mark.parametrize(("name", "layout", "arms"), FAMILIES)
def test_each_way_to_lay_out_a_share(tmp_path: Path, name: Name, layout: str, arms: dict[str, str]) -> None:
    share, paths = share_of(tmp_path, name)

    found = Surveyed(share)

    assert found.layout == [layout]
    assert found.arms == arms
    assert found.parts == PARTS
    assert found.volatile == ["history/**"]
    assert found.toml["share"]["path"] == str(share)
    assert found.found_by_a_look() == dict.fromkeys(paths, True)


def usual_share(root: Path) -> Path:
    return share_of(root, lambda arm, day: f"{arm}/{day}_0510")[0]


def test_checks_are_cautious_and_the_identity_is_only_suggested(tmp_path: Path) -> None:
    found = Surveyed(usual_share(tmp_path))
    recipe = found.toml["recipes"]["standard"]

    assert {name: part.get("checks") for name, part in recipe["parts"].items()} == {
        "programs": None,
        "axis-zero": {"min-size": "16 B", "text": "utf-8"},
        "settings": {"text": "utf-8"},
        "signals": {"min-size": "28 B", "text": "utf-8"},
        "image": {"min-size": "32 KiB", "not-blank": True},
        "history": None,
    }
    assert {name: part["at-least"] for name, part in recipe["parts"].items()} == {
        "programs": 1, "axis-zero": 1, "settings": 1, "signals": 1, "image": 1, "history": 0,
    }  # fmt: skip
    assert "identity" not in recipe
    identity = tomllib.loads(found.text.replace("# identity", "identity"))["recipes"]["standard"]["identity"]
    assert identity["file"] == "settings.toml"
    named = re.search(identity["pattern"], content("arm-07")["settings.toml"].decode())
    assert named is not None
    assert named["serial"] == "RC-0771"


def test_the_zone_is_the_computers_and_said_to_be_a_guess(tmp_path: Path) -> None:
    share = usual_share(tmp_path)

    known = guard("survey", str(share), cwd=tmp_path, env={"TZ": "America/Chicago"})

    assert tomllib.loads(known.out)["plant"]["timezone"] == "America/Chicago"
    assert "# Doubt: this is the time zone of this computer. Is it the plant's?\n" in known.out


def test_what_changes_in_nearly_every_set_is_volatile_and_strange_names_get_parts_of_their_own(tmp_path: Path) -> None:
    share = tmp_path / "share"
    for arm in ARMS:
        for number, day in enumerate(DAYS):
            files = {"main.cell": arm.encode() * 20, "state.dat": f"{day} {number}".encode(), "Übersicht.dat": b"12"}
            save(share / arm / day, files | {f"{arm}_memory.bin": bytes(range(200)), "blob/x": b"1"})

    found = Surveyed(share)

    assert found.parts == {
        "image": ["*_memory.bin"],
        "blob": ["blob/**"],
        "bersicht-dat": ["Übersicht.dat"],
        "main-cell": ["main.cell"],
        "state-dat": ["state.dat"],
    }
    assert found.volatile == ["state.dat"]
    assert "state.dat differs in nearly all sets and is taken for volatile. Is it?" in found.doubts
    assert set(found.found_by_a_look().values()) == {True}


def test_axis_zero_that_changes_each_time_is_told_and_not_taken_for_volatile(tmp_path: Path) -> None:
    share = usual_share(tmp_path)
    for arm in ARMS:
        for day in DAYS:
            (share / arm / f"{day}_0510" / "axis-zero.csv").write_text(f"axis,count\n1,{day}\n", encoding="utf-8")

    found = Surveyed(share)

    assert found.volatile == ["history/**"]
    assert "axis-zero.csv differs in nearly all sets, yet by its name it should not." in found.doubts


def test_files_that_should_not_change_are_told_in_one_sentence(tmp_path: Path) -> None:
    share = usual_share(tmp_path)
    for arm in ARMS:
        for day in DAYS:
            for number in range(5):
                program = share / arm / f"{day}_0510" / "programs" / f"job{number}.txt"
                program.write_text(f"MOVE {day} {number}\n", encoding="utf-8")

    assert (
        "programs/job0.txt, programs/job1.txt, programs/job2.txt, and 2 more differ in nearly all sets, yet by their"
        " names they should not. Look whether they are volatile." in Surveyed(share).doubts
    )


def test_what_does_not_fit_is_told(tmp_path: Path) -> None:
    share = usual_share(tmp_path)
    save(share, {"notes.txt": b"x", "manuals/read/me.txt": b"x", "arm-07/old/programs/main.txt": b"x"})
    (share / "arm-99").symlink_to(share / "arm-07")
    (share / "arm-13").mkdir()
    (share / "arm-12" / "2026-10-25_0510" / "memory.bin").write_bytes(b"")

    found = Surveyed(share)

    assert found.arms == NO_AREAS
    assert "# Doubt: 3 folders or files do not fit this layout: arm-07/old, manuals, notes.txt." in found.doubts
    assert "# Doubt: 1 folder is empty: arm-13. Arms that were never backed up?" in found.doubts
    assert "# Doubt: 1 link or device is not followed (arm-99)." in found.doubts
    assert "memory.bin has only 0 bytes in arm-12/2026-10-25_0510" in found.doubts
    looked = found.found_by_a_look()
    assert set(looked) == {f"{arm}/{day}_0510" for arm in ARMS for day in DAYS}
    assert [path for path, complete in looked.items() if not complete] == ["arm-12/2026-10-25_0510"]


def test_a_second_way_of_naming_is_a_second_layout(tmp_path: Path) -> None:
    share = usual_share(tmp_path)
    for day in ("2026-11-02", "2026-11-03"):
        pack(share / "arm-07" / f"{compact(day)}.zip", files_of("arm-07", day))

    found = Surveyed(share)

    assert found.layout == ["{arm}/{taken:%Y-%m-%d_%H%M}", "{arm}/{taken:%Y%m%d}"]
    assert len(found.found_by_a_look()) == 14


def test_undated_folders_of_arms_are_sets_where_their_parts_are_told_by_name(tmp_path: Path) -> None:
    share = tmp_path / "share"
    for arm in ARMS:
        save(share / arm, files_of(arm, "now"))

    found = Surveyed(share)

    assert (found.layout, found.arms, found.parts) == (["{arm}"], NO_AREAS, PARTS)
    assert "# Doubt: the names tell no date" in found.doubts
    assert found.found_by_a_look() == dict.fromkeys(ARMS, True)


@pytest.mark.parametrize(
    ("dates", "layout", "doubted"),
    [
        pytest.param(("03-11-2026", "24-11-2026"), "{arm}/{taken:%d-%m-%Y}", False, id="a-24th-proves-day-first"),
        pytest.param(("11-03-2026", "11-24-2026"), "{arm}/{taken:%m-%d-%Y}", False, id="a-24th-proves-month-first"),
        pytest.param(("03-11-2026", "04-11-2026"), "{arm}/{taken:%d-%m-%Y}", True, id="open"),
    ],
)
def test_day_or_month_first(tmp_path: Path, dates: tuple[str, str], layout: str, *, doubted: bool) -> None:
    for arm in ARMS:
        for day in dates:
            save(tmp_path / arm / day, files_of(arm, day))

    found = survey(str(tmp_path))

    assert found.layouts == (layout,)
    assert any("no name proves it" in doubt for doubt in found.doubts) == doubted


HOSTILE = (
    b"arm\nid = 1",
    b"arm\x1b[31mred",
    b'arm"]\n[share]',
    b"arm\\u0041",
    "arm\u202e70".encode(),
    b"arm-\xff\xfe",
    b"arm 07",
    b"-arm",
    "arm\u2028x".encode(),
    b"arm\x9b31m",
    b"{arm}",
    b"'''",
)


def test_hostile_names_stay_out_and_reach_no_terminal(tmp_path: Path) -> None:
    share = usual_share(tmp_path)
    for name in HOSTILE:
        for day in (b"2026-11-01_0510", b"2026-11-02_0510"):
            where = os.path.join(os.fsencode(share), name, day)
            os.makedirs(os.path.join(where, b"programs"))
            for inner in (name, b"programs/" + name):
                with open(os.path.join(where, inner), "wb") as file:
                    file.write(b"x" * 100)

    found = Surveyed(share)

    assert found.arms == NO_AREAS
    assert set(found.toml) == {"plant", "share", "recipes", "arms"}
    assert all(sign == "\n" or sign.isprintable() for sign in found.text)
    assert f"# Doubt: {len(HOSTILE)} names cannot be arm ids" in found.doubts
    assert set(found.found_by_a_look()) == {f"{arm}/{day}_0510" for arm in ARMS for day in DAYS}


def test_hostile_names_within_every_set_become_patterns_that_fit_them(tmp_path: Path) -> None:
    share = tmp_path / "share"
    names = [b'a"b\n[x]', b"c\\d", b"e\xff", b"f*g", "h\u202ei".encode(), b"k'''"]
    for arm in ARMS:
        for day in DAYS:
            folder = os.fsencode(share / arm / day)
            os.makedirs(folder)
            for name in names:
                with open(os.path.join(folder, name), "wb") as file:
                    file.write(b"same")

    found = Surveyed(share)

    patterns = sorted(pattern for patterns in found.parts.values() for pattern in patterns)
    assert patterns == ['a"b?[x]', "c?d", "e?", "f*g", "h?i", "k'''"]
    assert set(found.found_by_a_look().values()) == {True}


@pytest.mark.parametrize("area", [b"hall\n[x]", b"hall\xff", b"hall\x1b[2J"], ids=["newline", "no-utf-8", "escape"])
def test_a_hostile_area_is_left_out_and_its_arms_are_kept(tmp_path: Path, area: bytes) -> None:
    for arm, place in (("arm-07", area), ("arm-09", b"welding"), ("arm-12", b"welding")):
        for day in DAYS[:2]:
            save(Path(os.fsdecode(os.path.join(os.fsencode(tmp_path), place))) / arm / day, files_of(arm, day))

    found = survey(str(tmp_path))

    assert found.layouts == ("{area}/{arm}/{taken:%Y-%m-%d}",)
    assert found.arms == (ArmSeen("arm-07", ""), ArmSeen("arm-09", "welding"), ArmSeen("arm-12", "welding"))
    assert any(doubt.startswith("1 areas have names that cannot be written here") for doubt in found.doubts)


def test_every_text_survives_the_quoting_and_no_comment_ends_early() -> None:
    for sign in map(chr, (*range(0x300), 0x202E, 0x2028, 0xFEFF, 0xE000, 0xFFFE, 0x1F600, 0xE0001)):
        text = f"a{sign}b"
        assert tomllib.loads(f"k = {quoted(text)}") == {"k": text}
        assert comment(text).isprintable()
    assert tomllib.loads(f"k = {quoted(os.fsdecode(b'x' + bytes([255])))}") == {"k": "x\\xff"}


def test_no_text_of_a_survey_can_add_a_key() -> None:
    evil = 'x"\n[[arms]]\nid = "evil"\n# \x1b[0m\u202e'
    part = PartGuess(evil, (evil,), 1)
    recipe = RecipeGuess((part,), (evil,), IdentityGuess(evil, evil), (evil,))

    text = proposal(Survey(evil, (evil,), (ArmSeen(evil, evil),), recipe, 1, (evil,)), evil)

    toml = tomllib.loads(text)
    assert [arm["id"] for arm in toml["arms"]] == [evil]
    assert list(toml["recipes"]["standard"]["parts"]) == [evil]
    assert all(sign == "\n" or sign.isprintable() for sign in text)


@pytest.mark.parametrize(
    "name",
    [
        "arm-07",
        "7",
        "a.b_c",
        "-a",
        ".a",
        "a b",
        "",
        "a/b",
        "é1",
        "a\n",
        "a\u200f",
        "\udcff",
        "a" * 200,
        "a" * 201,
        "é" * 101,
    ],
    ids=ascii,
)
def test_an_arm_id_here_is_what_the_configuration_allows(name: str) -> None:
    try:
        allowed = arm_id(name) == name
    except Wrong:
        allowed = False
    assert is_arm_id(name) == allowed


# Where there is nothing to propose


def nothing(share: Path) -> str:
    refused = guard("survey", str(share), cwd=share.parent)
    assert (refused.code, refused.out) == (2, ""), refused
    return refused.err


def test_an_empty_share(tmp_path: Path) -> None:
    share = tmp_path / "share"
    share.mkdir()

    assert "looks like backup sets of several arms: it is empty." in nothing(share)


def test_a_single_file(tmp_path: Path) -> None:
    save(tmp_path / "share", {"arm-07_20261101.txt": b"x"})

    assert "it holds 1 files (arm-07_20261101.txt)." in nothing(tmp_path / "share")


def test_a_foreign_share(tmp_path: Path) -> None:
    share = tmp_path / "share"
    for year in ("2024", "2025"):
        for number in range(5):
            save(share, {f"photos/{year}-07-0{number + 1}/IMG_{year}{number}.jpg": b"x", f"music/{number}/a.mp3": b"x"})

    assert "what lies in the folders has no name in common" in nothing(share)


def test_sets_that_are_empty(tmp_path: Path) -> None:
    for arm in ARMS:
        (tmp_path / "share" / arm / "2026-11-01").mkdir(parents=True)

    assert "what is named like a set is empty or cannot be read (arm-07/2026-11-01" in nothing(tmp_path / "share")


def test_sets_of_nobody(tmp_path: Path) -> None:
    for day in DAYS:
        save(tmp_path / "share" / day, files_of("arm-07", day))

    assert "it holds 4 folders (2026-10-11, 2026-10-18, 2026-10-25, …)." in nothing(tmp_path / "share")


def test_arms_that_share_a_name_are_never_merged(tmp_path: Path) -> None:
    for line in ("line-1", "line-2"):
        for robot in ("left", "right"):
            for day in DAYS:
                save(tmp_path / "share" / line / robot / day, files_of(line + robot, day))

    assert "the names 'left', 'right' recur in several folders above them" in nothing(tmp_path / "share")


@pytest.mark.parametrize("name", ["file", "missing"])
def test_a_share_that_is_no_folder(tmp_path: Path, name: str) -> None:
    (tmp_path / "file").write_bytes(b"x")

    refused = guard("survey", str(tmp_path / name), cwd=tmp_path)

    assert (refused.code, refused.out) == (1, "")
    assert refused.err.startswith(f"The share {tmp_path / name} cannot be read: ")


# Huge shares


def test_a_huge_share_is_sampled_and_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    share = tmp_path / "share"
    for number in range(60):
        for day in DAYS[:2]:
            save(share / f"arm-{number:02}" / day, {"programs/main.txt": b"x", "history/log.txt": day.encode()})
    monkeypatch.setattr("guard.survey.survey.FOLDERS_IN_ONE_LEVEL", 10)

    found = survey(str(share))

    assert len(found.arms) == 60
    assert "the share is large: 50 folders were not opened. Arms may be missing below." in found.doubts
    assert "50 of the arms are known by the names of their folders only, which were not opened." in found.doubts


def test_a_huge_flat_folder_is_cut_and_says_so(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    share = tmp_path / "share"
    share.mkdir()
    pack(share / "one.zip", {"programs/main.txt": b"x", "memory.bin": b"xyz"})
    for number in range(3000):
        name = f"arm-{number % 30:02}_{20260101 + number // 30 % 28}_{number // 840:02}01.zip"
        os.link(share / "one.zip", share / name)
    monkeypatch.setattr("guard.survey.survey.NAMES_IN_ONE_LEVEL", 1000)

    found = survey(str(share))

    assert found.layouts == ("{arm}_{taken:%Y%m%d_%H%M}",)
    assert any(doubt.startswith("the share is large: of 1 folders only a part") for doubt in found.doubts)
    assert found.sets <= 1000


def test_large_sets_are_no_large_share_and_loose_programs_are_known_by_their_ending(tmp_path: Path) -> None:
    for arm in ARMS:
        for day in DAYS:
            save(tmp_path / arm / day, {f"{arm[-2:]}{number}.prog": b"move" for number in range(100)})
            save(tmp_path / arm / day, {"axis-zero.csv": b"1,2"})

    found = survey(str(tmp_path))

    assert not any("large" in doubt for doubt in found.doubts)
    assert [(part.name, part.files) for part in found.recipe.parts] == [
        ("programs", ("*.prog",)),
        ("axis-zero", ("axis-zero.csv",)),
    ]


def test_few_files_are_opened_and_none_is_read_whole(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    share = share_of(tmp_path, lambda arm, day: f"{arm}/{day}")[0]
    read: list[int] = []
    real = os.read

    def counted(handle: int, count: int) -> bytes:
        data = real(handle, count)
        read.append(len(data))
        return data

    monkeypatch.setattr(os, "read", counted)
    survey(str(share))

    assert 0 < len(read) <= 80
    assert max(read) <= 4096
