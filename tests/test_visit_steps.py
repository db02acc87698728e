"""The steps of a visit as data: what their file may say, and which gates no file takes away."""

from __future__ import annotations

import re
from collections.abc import Callable
from datetime import timedelta
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from guard.plan.refusals import StepsFaulty, StepsMissing
from guard.plan.steps import ALWAYS, CHECKED, GATES, LOST, WITH_POWER_OFF, Step, faults, left_out
from guard.visit_file import read_steps, shipped
from tests.plant import Plant

SHIPPED = read_steps(shipped())

MINIMAL = "".join(f'[[steps]]\nid = "{gate}"\ngate = "{gate}"\ntitle = "{gate}"\n' for gate in ALWAYS)


def faults_of(folder: Path, text: str | bytes) -> list[tuple[int | None, str, str, str]]:
    """Line, place, what is wrong and what would be right, of every fault in a file of steps."""
    file = folder / "steps.toml"
    file.write_bytes(text if isinstance(text, bytes) else text.encode())
    with pytest.raises(StepsFaulty) as refusal:
        read_steps(str(file))
    assert {fault.file for fault in refusal.value.faults} == {str(file)}
    return [(fault.line, fault.key, fault.wrong, fault.right) for fault in refusal.value.faults]


def without(*gates: str) -> tuple[Step, ...]:
    return tuple(step for step in SHIPPED if step.gate not in gates)


class TestShipped:
    def test_every_gate_stands_in_its_place(self) -> None:
        assert tuple(step.gate for step in SHIPPED if step.gate != "none") == GATES
        assert (list(faults(SHIPPED)), left_out(SHIPPED)) == ([], [])

    def test_the_run_in_lasts_10_to_20_minutes(self) -> None:
        run_in = next(step for step in SHIPPED if step.gate == "run-in")
        assert (run_in.at_least, run_in.at_most) == (timedelta(minutes=10), timedelta(minutes=20))

    def test_every_gate_says_what_is_checked_and_what_is_lost_without_it(self) -> None:
        assert set(GATES) == set(CHECKED) == set(LOST)

    def test_nobody_is_sent_into_a_live_cabinet(self) -> None:
        told = " ".join(" ".join((*step.do, step.warning, step.notice, CHECKED.get(step.gate, ""))) for step in SHIPPED)
        live = re.findall(r"[^.;]*\blive\b[^.;]*", told)
        assert live
        assert all("nobody inside a live cabinet" in each for each in live)

    def test_a_wheel_holds_them_beside_the_tool(self) -> None:
        import tomllib

        project = tomllib.loads((Path(__file__).parent.parent / "pyproject.toml").read_text(encoding="utf-8"))
        assert (
            project["tool"]["hatch"]["build"]["targets"]["wheel"]["force-include"]["config/visit.toml"]
            == "guard/visit.toml"
        )


class TestGatesStay:
    """A plant adapts its steps; a gate that keeps people or the memory safe never goes without a word."""

    @pytest.mark.parametrize("gate", ALWAYS)
    def test_what_every_visit_has_cannot_be_left_out(self, gate: str) -> None:
        found = [each for each in faults(without(gate)) if "no step has" in each.wrong]
        assert [each.wrong for each in found] == [f"no step has the gate {gate}: {LOST[gate]}"]  # type: ignore[index]

    @pytest.mark.parametrize("gate", WITH_POWER_OFF)
    def test_nor_what_a_change_of_the_memory_cell_needs(self, gate: str) -> None:
        assert any(f"no step has the gate {gate}" in each.wrong for each in faults(without(gate)))

    def test_without_power_off_none_of_that_is_needed(self) -> None:
        steps = without("memory-cell", *WITH_POWER_OFF)
        assert list(faults(steps)) == []
        told = [re.findall(r"have no ([a-z-]+):", each)[0] for each in left_out(steps)]
        assert told == ["power-off", "lockout", "stored-energy", "memory-cell", "power-on"]

    @pytest.mark.parametrize("gate", ["run-in", "position-cells", "memory-cell"])
    def test_what_else_is_left_out_is_told(self, gate: str) -> None:
        steps = without(gate)
        assert list(faults(steps)) == []
        assert left_out(steps) == [f"This plant's steps have no {gate}: {LOST[gate]}."]  # type: ignore[index]

    @pytest.mark.parametrize(("minutes", "told"), [(9, True), (10, False), (11, False)])
    def test_a_run_in_shorter_than_usual_is_told(self, minutes: int, told: bool) -> None:  # noqa: FBT001
        steps = tuple(
            step._replace(at_least=timedelta(minutes=minutes)) if step.gate == "run-in" else step for step in SHIPPED
        )
        assert list(faults(steps)) == []
        assert bool(left_out(steps)) == told

    @pytest.mark.parametrize("step", [step for step in SHIPPED if not step.optional], ids=lambda step: step.id)
    def test_a_gate_that_always_holds_cannot_be_optional(self, step: Step) -> None:
        steps = tuple(each._replace(optional=True) if each is step else each for each in SHIPPED)
        assert [each.key for each in faults(steps)] == (["optional"] if step.gate != "none" else [])

    @given(st.permutations(SHIPPED))
    def test_in_another_order_they_are_refused(self, steps: list[Step]) -> None:
        gated = [step.gate for step in steps if step.gate != "none"]
        ends_well = steps[0].gate == "backup" and steps[-1].gate == "sign"
        assert (not list(faults(tuple(steps)))) == (gated == list(GATES) and ends_well)

    @given(st.sets(st.sampled_from(GATES)))
    def test_whatever_is_left_out_is_refused_or_told(self, gates: set[str]) -> None:
        steps = without(*gates)
        refused = " ".join(each.wrong for each in faults(steps))
        told = " ".join(left_out(steps))
        assert all(f"gate {gate}:" in refused or f"no {gate}:" in told for gate in gates)


class TestFile:
    @pytest.mark.parametrize(
        ("text", "line", "place", "wrong", "right"),
        [
            pytest.param("steps = 3", 1, "steps", "is no list of tables", "write [[steps]]", id="no-list"),
            pytest.param("", None, "steps", "there are 0", "write 1 to 40", id="empty"),
            pytest.param("steps = [", None, "", "this is no TOML", "see config/visit.toml", id="no-toml"),
            pytest.param(b"# \xff", 1, "", "no UTF-8", "save it as UTF-8", id="no-text"),
            pytest.param(
                MINIMAL.replace('gate = "look"', 'gate = "none"'), 7, "step 'look', gate",
                "'none' is none of the choices", "write one of backup, run-in", id="unknown-gate",
            ),
            pytest.param(
                MINIMAL.replace('gate = "look"', 'gate = "look"\nwarnin = "x"'), 8, "step 'look', warnin",
                "is no key that is known", "did you mean warning?", id="unknown-key",
            ),
            pytest.param(
                MINIMAL.replace('title = "look"\n', ""), 5, "step 'look', title",
                "is missing", "this key has no default", id="no-title",
            ),
            pytest.param(
                MINIMAL.replace('id = "look"', 'id = "Look!"'), 6, "step 'Look!', id",
                "'Look!' is no id", "use small letters", id="bad-id",
            ),
            pytest.param(
                MINIMAL.replace('id = "look"', 'id = "sign"'), 18, "step 'sign', id",
                "'sign' is there twice", "an id of its own", id="twice",
            ),
            pytest.param(
                MINIMAL + '[[steps]]\nid = "x"\ntitle = "X"\n', 21, "step 'x', gate",
                "a step comes after sign", "let the visit end with sign", id="after-sign",
            ),
            pytest.param(
                '[[steps]]\nid = "x"\ntitle = "X"\n' + MINIMAL, 1, "step 'x', gate",
                "a step comes before backup", "let the visit begin with backup", id="before-backup",
            ),
            pytest.param(
                MINIMAL.replace('gate = "look"', 'gate = "look"\nat-least = "10m"'), 8, "step 'look', at-least",
                "only a run-in is timed", 'write gate = "run-in"', id="timed",
            ),
            pytest.param(
                MINIMAL.replace('gate = "look"', 'gate = "look"\nreadings = [{ name = "a" }]'), 8,
                "step 'look', readings[0].ask", "is missing", "no default", id="reading-without-question",
            ),
            pytest.param(
                MINIMAL.replace('gate = "look"', 'gate = "look"\noptional = true'), 8, "step 'look', optional",
                "can never be left out", "take it away: without look the arm could move", id="optional",
            ),
        ],
    )  # fmt: skip
    def test_what_is_wrong_is_told_with_its_step(
        self, tmp_path: Path, text: str | bytes, line: int | None, place: str, wrong: str, right: str
    ) -> None:
        found = faults_of(tmp_path, text)
        assert len(found) == 1, found
        assert found[0][:2] == (line, place), found
        assert wrong in found[0][2]
        assert right in found[0][3]

    @pytest.mark.parametrize(
        ("least", "most", "wrong"),
        [
            pytest.param(None, None, "is missing", id="no-time"),
            pytest.param("20m", "10m", "is less than at-least", id="crossed"),
            pytest.param("10m", "10m", None, id="equal"),
        ],
    )
    def test_a_run_in_says_how_long_it_lasts(
        self, tmp_path: Path, least: str | None, most: str | None, wrong: str | None
    ) -> None:
        times = "".join(f'{key} = "{value}"\n' for key, value in (("at-least", least), ("at-most", most)) if value)
        text = MINIMAL.replace(
            '[[steps]]\nid = "look"',
            f'[[steps]]\nid = "run"\ngate = "run-in"\ntitle = "R"\n{times}[[steps]]\nid = "look"',
        )
        if wrong is None:
            file = tmp_path / "steps.toml"
            file.write_text(text, encoding="utf-8")
            assert len(read_steps(str(file))) == len(ALWAYS) + 1
        else:
            assert [each[2] for each in faults_of(tmp_path, text)] == [wrong]

    def test_every_fault_is_told_at_once(self, tmp_path: Path) -> None:
        text = MINIMAL.replace('gate = "look"', 'gate = "lok"').replace('title = "sign"', "title = 3")
        assert [each[1] for each in faults_of(tmp_path, text)] == ["step 'look', gate", "step 'sign', title"]

    def test_a_file_that_is_not_there(self, tmp_path: Path) -> None:
        with pytest.raises(StepsMissing, match="name another one as visit"):
            read_steps(str(tmp_path / "none.toml"))

    @given(st.text(max_size=60).map(str.encode) | st.binary(max_size=60))
    def test_whatever_a_file_holds_is_refused_in_words(
        self, tmp_path_factory: pytest.TempPathFactory, raw: bytes
    ) -> None:
        file = tmp_path_factory.getbasetemp() / "any.toml"
        file.write_bytes(raw)
        with pytest.raises(StepsFaulty):
            read_steps(str(file))


class TestByConfiguration:
    @pytest.fixture
    def plant_with(self, plant: Plant) -> Callable[[str], Plant]:
        def make(steps: str) -> Plant:
            (plant.root / "ours.toml").write_text(steps, encoding="utf-8")
            plant.configure('[visit]\nsteps = "ours.toml"\n')
            plant.save("arm-07")
            plant.ready()
            return plant

        return make

    def test_a_plants_own_steps_hold_and_what_they_leave_out_is_told(self, plant_with: Callable[[str], Plant]) -> None:
        done = plant_with(MINIMAL).run("visit", "arm-07", "--json")
        assert [step["id"] for step in done.json["steps"]] == list(ALWAYS)
        assert done.code == 10
        assert f"This plant's steps have no memory-cell: {LOST['memory-cell']}." in done.json["left_out"]

    def test_a_file_that_loses_a_gate_is_refused_by_name(self, plant_with: Callable[[str], Plant]) -> None:
        plant = plant_with(MINIMAL.replace('gate = "look"\n', ""))
        done = plant.run("visit", "arm-07")
        assert (done.code, done.out) == (2, "")
        assert "The steps of a visit have 1 fault" in done.err
        assert f"no step has the gate look: {LOST['look']}" in done.err
        assert str(plant.root / "ours.toml") in done.err
