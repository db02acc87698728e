"""Reads a configuration: TOML to typed settings, every fault told at once with what would be right."""

from __future__ import annotations

import difflib
import os
import re
from collections.abc import Callable, Mapping
from typing import Any

from guard.config_keys import (
    ARM,
    CALENDAR,
    CALENDAR_RULE,
    CELL,
    CELL_TYPE,
    CHECKS,
    COSTS,
    DEFAULT_CELL_TYPES,
    DEFAULT_RECIPES,
    FRESH,
    HOLD_UP,
    IDENTITY,
    KEEP,
    LIMITS,
    LOSS,
    MAIL,
    NO_COLUMN,
    NOTIFY,
    PART,
    PLANT,
    PROOF,
    RECIPE,
    REPORT,
    REQUIRED,
    SERVICE,
    SHARE,
    SIGN_OFF,
    SPREAD,
    TOP,
    VISIT,
    WARNINGS,
    WINDOW,
    Key,
)
from guard.config_lines import MOST_FAULTS, document, line_of
from guard.config_values import Wrong, positive, shown, text
from guard.errors import ConfigFaults, Fault
from guard.kept import LARGEST_BYTES
from guard.model import ACTIONS, Limits
from guard.plant import (
    EVERY_ARM,
    ArchiveLimits,
    Arm,
    CalendarRule,
    Cell,
    CellType,
    Checks,
    Costs,
    HoldUp,
    Identity,
    LossLimits,
    PartRule,
    Recipe,
)
from guard.settings import Calendar, Keep, Mail, Notify, Reports, Service, Settings, Warnings
from guard.units import bytes_in_words


def parse(path: str, raw: bytes) -> tuple[Settings, dict[str, bytes]]:
    """Read and check a configuration. Returns the settings and the files that they came from.

    Raises ConfigFaults with every fault found, not only the first.
    """
    return _Reader(path, raw).settings()


class _Reader:
    def __init__(self, path: str, raw: bytes) -> None:
        self.path, self.folder = path, os.path.dirname(path)
        self.faults: list[Fault] = []
        self.usual_costs: dict[str, float] = {}
        self.costs: dict[str, dict[str, float]] = {}
        self.sources = {path: raw}
        self.arms_file = ""
        self.document, self.lines = self._document(raw)

    def _document(self, raw: bytes) -> tuple[dict[str, Any], list[str]]:
        if len(raw) > LARGEST_BYTES:
            wrong = f"the file is larger than {bytes_in_words(LARGEST_BYTES)}"
            raise self._only(None, wrong, 'put the arms into a list of their own: arms-file = "arms.csv"')
        try:
            content = raw.decode("utf-8-sig")
            return document(content), content.split("\n")
        except UnicodeDecodeError as error:
            line = raw[: error.start].count(b"\n") + 1
            raise self._only(line, "the file is no UTF-8 text", "save it as UTF-8") from error
        except (ValueError, RecursionError) as error:
            place = re.search(r"at line (\d+)", str(error))
            raise self._only(
                int(place[1]) if place else None, f"this is no TOML: {error}", "see the examples in config/"
            ) from error

    def _only(self, line: int | None, wrong: str, right: str) -> ConfigFaults:
        return ConfigFaults([Fault(self.path, line, "", wrong, right)])

    def settings(self) -> tuple[Settings, dict[str, bytes]]:
        self._unknown("", self.document, TOP)
        plant = self._table("plant", PLANT)
        share = self._table("share", SHARE)
        fresh = self._table("fresh", FRESH)
        proof = self._table("proof", PROOF)
        limits = self._table("limits", LIMITS)
        window = self._table("window", WINDOW)
        loss = self._table("loss", LOSS)
        sign_off = self._table("sign-off", SIGN_OFF)
        self.usual_costs = {key: loss[key] for key in COSTS}
        keep = self._table("keep", KEEP)
        service = self._table("service", SERVICE)
        report = self._table("report", REPORT)
        warnings = self._table("warnings", WARNINGS)
        visit_steps = self._table("visit", VISIT)["steps"]
        notify = self._notify()
        calendar = self._table("calendar", CALENDAR)
        recipes = self._named("recipes", DEFAULT_RECIPES, self._recipe)
        cell_types = self._named("cell-types", DEFAULT_CELL_TYPES, self._cell_type)
        arms = self._arms(recipes, cell_types)
        rules = self._calendar_rules(calendar["rules"] or (), arms)
        if self.faults:
            raise ConfigFaults(self.faults)
        settings = Settings(
            file=self.path,
            plant=plant["name"],
            timezone=plant["timezone"],
            state=self._place(plant["state"]),
            share=self._place(share["path"]),
            layouts=share["layout"],
            settle=share["settle"],
            watch=share["watch"],
            copies=tuple(map(self._place, share["copies"])),
            limits=Limits(
                fresh=tuple((action, fresh[action]) for action in ACTIONS),
                read_back_within=proof["read-back-within"],
                restore_test_within=proof["restore-test-within"],
                copies_needed=share["copies-needed"],
                unseen_after=share["unseen-after"],
                parts_apart=limits["parts-apart"],
                shrink_permille=round(limits["shrink"] * 1000),
                window=window["limit"],
                closing_permille=round(window["closing"] * 1000),
                powered_before=window["powered-before"],
                loss=LossLimits(*(loss[key] for key in LOSS if key not in COSTS)),
                never_signed=sign_off["never"],
            ),
            archives=ArchiveLimits(limits["archive-members"], limits["archive-content"], limits["archive-expansion"]),
            keep=Keep(*(keep[key] for key in KEEP)),
            service=Service(*(service[key] for key in SERVICE)),
            reports=Reports(*(report[key] for key in REPORT)),
            warnings=Warnings(*(warnings[key] for key in WARNINGS)),
            visit_steps=self._place(visit_steps) if visit_steps else "",
            notify=notify,
            calendar=Calendar(
                tuple(map(self._place, calendar["watch"])),
                calendar["horizon"],
                calendar["most"],
                calendar["largest"],
                rules,
            ),
            recipes=recipes,
            cell_types=cell_types,
            arms=arms,
        )
        return settings, self.sources

    def _place(self, path: str) -> str:
        return os.path.abspath(os.path.join(self.folder, path))

    # Tables

    def _table(self, name: str, keys: Mapping[str, Key]) -> dict[str, Any]:
        raw = self.document.get(name, {})
        if not isinstance(raw, dict):
            self._fault(name, "is no table", f"write [{name}]")
            raw = {}
        return self._read(name, raw, keys)

    def _read(self, where: str, raw: dict[str, Any], keys: Mapping[str, Key]) -> dict[str, Any]:
        """Read one table; what is faulty in it is told, and its default stands in meanwhile."""
        self._unknown(where, raw, keys)
        found = {}
        for key, (read, default) in keys.items():
            place = f"{where}.{key}" if where else key
            found[key] = None if default is REQUIRED else default
            if key in raw:
                try:
                    found[key] = read(raw[key])
                except Wrong as wrong:
                    for each in wrong.every:
                        self._fault(place + each.within, each.wrong, each.right)
            elif default is REQUIRED:
                self._fault(place, "is missing", "this key has no default")
        return found

    def _unknown(self, where: str, raw: Mapping[str, Any], known: Any) -> None:
        for key in raw:
            if key not in known:
                near = difflib.get_close_matches(key, list(known), 1)
                right = f"did you mean {near[0]}?" if near else f"the keys here are {', '.join(known)}"
                self._fault(f"{where}.{key}" if where else key, "is no key that is known", right)

    def _notify(self) -> Notify:
        found = self._table("notify", NOTIFY)
        mail = None
        if found["mail"] is not None:
            read = self._read("notify.mail", found["mail"], MAIL)
            host, port = read["server"] or ("", 0)
            secret = read["password-file"]
            mail = Mail(
                host, port, read["from"], read["to"], read["tls"], read["user"], self._place(secret) if secret else ""
            )
        file = found["apprise-file"]
        return Notify(mail, found["webhook"], self._place(file) if file else "")

    def _calendar_rules(self, raw: tuple[dict[str, Any], ...], arms: Mapping[str, Arm]) -> tuple[CalendarRule, ...]:
        """The rules by which a calendar's entries are read; each has a pattern and says something."""
        names = {EVERY_ARM, *arms, *(arm.area for arm in arms.values() if arm.area)}
        rules = []
        for number, table in enumerate(raw):
            where = f"calendar.rules[{number}]"
            found = self._read(where, table, CALENDAR_RULE)
            if not any(found[key] for key in ("categories", "summary", "location")):
                self._fault(where, "has no pattern", "give one of categories, summary and location")
            if not found["kind"] and not found["arms"]:
                self._fault(
                    where, "says nothing of what it finds", f"give kind ({', '.join(ACTIONS)} or none), or arms"
                )
            for name in found["arms"] or ():
                if arms and name not in names:
                    self._unknown_name(
                        f"{where}.arms", name, dict.fromkeys(sorted(names)), f"{EVERY_ARM} for all, or [[arms]]"
                    )
            rules.append(CalendarRule(*(found[key] for key in CALENDAR_RULE)))
        return tuple(rules)

    def _named(
        self, name: str, defaults: dict[str, Any], read: Callable[[str, str, dict[str, Any]], Any]
    ) -> dict[str, Any]:
        raw = self.document.get(name, defaults)
        if not isinstance(raw, dict) or not all(isinstance(item, dict) for item in raw.values()):
            self._fault(name, "is no table of tables", f"write [{name}.NAME]")
            return {}
        return {key: read(f"{name}.{key}", key, item) for key, item in (defaults | raw).items()}

    def _recipe(self, where: str, name: str, raw: dict[str, Any]) -> Recipe | None:
        found = self._read(where, raw, RECIPE)
        parts = []
        for part, rule in (found["parts"] or {}).items():
            if not isinstance(rule, dict):
                self._fault(f"{where}.parts.{part}", "is no table", f"write [{where}.parts.{part}]")
                continue
            read = self._read(f"{where}.parts.{part}", rule, PART)
            checks = self._read(f"{where}.parts.{part}.checks", read["checks"] or {}, CHECKS)
            values = (checks["min-size"], checks["max-size"], checks["not-blank"], checks["starts-with"])
            parts.append(PartRule(part, read["files"] or (), read["at-least"], Checks(*values, checks["text"])))
        if found["parts"] == {}:
            self._fault(f"{where}.parts", "has no part", f"write [{where}.parts.programs] and what belongs to it")
        if not any(part.at_least for part in parts) and parts:
            self._fault(
                f"{where}.parts",
                "wants nothing: a set without any file would be complete",
                "give one part at-least = 1",
            )
        self.costs[name] = self._costs(where, found["loss"], self.usual_costs)
        identity, held = self._identity(where, found["identity"]), self._hold_up(where, found["hold-up"])
        return Recipe(name, tuple(parts), found["volatile"] or (), identity, held)

    def _identity(self, where: str, raw: dict[str, Any] | None) -> Identity | None:
        if raw is None:
            return None
        found = self._read(f"{where}.identity", raw, IDENTITY)
        place = f"{where}.identity.pattern"
        try:
            names = set(re.compile(found["pattern"] or "").groupindex)
        except (re.error, OverflowError, RecursionError) as error:
            self._fault(
                place, f"is no regular expression: {error}", 'write one such as \'serial = "(?P<serial>[^"]+)"\''
            )
            return None
        for field in ("serial", "id", "name"):
            if names == {field}:
                return Identity(found["file"] or "", found["pattern"] or "", field)
        if found["pattern"] is not None:
            self._fault(place, "does not say what it finds", "name one group (?P<serial>…), (?P<id>…) or (?P<name>…)")
        return None

    def _hold_up(self, where: str, raw: dict[str, Any] | None) -> HoldUp | None:
        """The capacitor of a recipe or an arm; None where none is told, or where it is faulty."""
        if raw is None:
            return None
        where, before = f"{where}.hold-up", len(self.faults)
        found = self._read(where, raw, HOLD_UP)
        resistance = found.pop("resistance-ohm")
        if ("time-constant-s" in raw) == ("resistance-ohm" in raw):
            wrong = "and resistance-ohm are both there" if "resistance-ohm" in raw else "is missing"
            self._fault(f"{where}.time-constant-s", wrong, "give it, or resistance-ohm, through which it is charged")
        if len(self.faults) == before and not found["charged-v"] > found["least-v"]:
            wrong = f"{shown(found['least-v'])} is not below charged-v"
            self._fault(f"{where}.least-v", wrong, "write the voltage down to which the memory is kept")
        if len(self.faults) == before and resistance is not None:
            try:
                found["time-constant-s"] = positive(resistance * found["capacitance-f"])
            except Wrong as wrong:
                self._fault(f"{where}.resistance-ohm", wrong.wrong, wrong.right)
        if len(self.faults) > before:
            return None
        return HoldUp(**{key.replace("-", "_"): value for key, value in found.items()})

    def _costs(self, where: str, raw: dict[str, Any], otherwise: dict[str, float]) -> dict[str, float]:
        """The hours of work that a loss costs; what a recipe or an arm does not tell is as it is otherwise."""
        read = self._read(f"{where}.loss", raw, COSTS)
        return {key: read[key] if key in raw else hours for key, hours in otherwise.items()}

    def _cell_type(self, where: str, name: str, raw: dict[str, Any]) -> CellType:
        found = self._read(where, raw, CELL_TYPE)
        spread = self._read(f"{where}.spread", found["spread"] or {}, SPREAD)
        figures = (found["capacity-mah"], found["usable"], found["self-discharge-per-year"], found["standby-ua"])
        spreads = (spread["capacity"], spread["standby"], spread["self-discharge"])
        temperature = (found["ageing-ev"], found["standby-doubles-every-c"], found["shelf-life"])
        return CellType(name, found["kind"], found["interval"], *figures, *spreads, *temperature)

    # Arms

    def _arms(self, recipes: Mapping[str, Any], cell_types: Mapping[str, Any]) -> dict[str, Arm]:
        arms: dict[str, Arm] = {}
        before = len(self.faults)
        rows = self._arm_rows()
        if not rows and len(self.faults) == before:
            self._fault("arms", "there is none", 'write [[arms]] with id = "arm-01", or arms-file = "arms.csv"')
        for where, raw in rows:
            arm = self._arm(where, raw, recipes, cell_types)
            if arm.id and arm.id in arms:
                self._fault(f"{where}.id", f"{shown(arm.id)} is there twice", "give each arm an id of its own")
            arms[arm.id] = arm
        return arms

    def _arm_rows(self) -> list[tuple[str, dict[str, Any]]]:
        raw = self.document.get("arms", [])
        if not isinstance(raw, list) or not all(isinstance(item, dict) for item in raw):
            self._fault("arms", "is no list of tables", "write [[arms]] before each arm")
            raw = []
        rows = [(f"arms[{n}]", item) for n, item in enumerate(raw)]
        if "arms-file" not in self.document:
            return rows
        from guard.arms_file import read_arms_file

        try:
            self.arms_file = self._place(text(self.document["arms-file"]))
            more, self.sources[self.arms_file] = read_arms_file(
                self.arms_file, tuple(key for key in ARM if key not in NO_COLUMN)
            )
        except Wrong as wrong:
            self._fault("arms-file", wrong.wrong, wrong.right)
            return rows
        for row in more:
            if row.surplus:
                self._fault(
                    f"arms-file[{row.line}]",
                    f"{', '.join(map(shown, row.surplus))} stands in no column of the header",
                    'put quotes around a cell that holds the separator, such as "Fettling cell, left"',
                )
        return rows + [(f"arms-file[{row.line}]", row.values) for row in more]

    def _arm(self, where: str, raw: dict[str, Any], recipes: Mapping[str, Any], cell_types: Mapping[str, Any]) -> Arm:
        found = self._read(where, raw, ARM)
        if recipes and found["recipe"] not in recipes:
            self._unknown_name(f"{where}.recipe", found["recipe"], recipes, "[recipes.NAME]")
        recipe = recipes.get(found["recipe"])
        if (
            recipe is not None
            and recipe.identity is not None
            and recipe.identity.field == "serial"
            and not found["serial"]
        ):
            right = f"give it: the recipe {recipe.name!r} tells by it whether a set is this arm's"
            self._fault(f"{where}.serial", "is missing", right)
        held = []
        for n, cell in enumerate(found["cells"] or ()):
            read = self._read(f"{where}.cells[{n}]", cell, CELL)
            if cell_types and read["type"] is not None and read["type"] not in cell_types:
                self._unknown_name(f"{where}.cells[{n}].type", read["type"], cell_types, "[cell-types.NAME]")
            held.append(Cell(read["type"] or "", read["installed"]))
        return Arm(
            found["id"] or "", found["name"] or found["id"] or "", found["area"], found["serial"], found["recipe"],
            tuple(held), found["powered-fraction"], found["ambient-c"], found["presence"],
            self._hold_up(where, found["hold-up"]),
            Costs(*self._costs(where, found["loss"], self.costs.get(found["recipe"], self.usual_costs)).values()),
        )  # fmt: skip

    def _unknown_name(self, where: str, name: str, known: Mapping[str, Any], table: str) -> None:
        near = difflib.get_close_matches(name, list(known), 1, cutoff=0.7)  # main-cell is no position-cell
        right = f"did you mean {near[0]}?" if near else f"known are {', '.join(known)}; more are written as {table}"
        self._fault(where, f"{shown(name)} is not defined", right)

    def _fault(self, key: str, wrong: str, right: str) -> None:
        in_arms_file = re.fullmatch(r"arms-file\[(\d+)\]\.?(.*)", key, re.DOTALL)
        if in_arms_file:
            self.faults.append(Fault(self.arms_file, int(in_arms_file[1]), in_arms_file[2], wrong, right))
        else:
            self.faults.append(Fault(self.path, line_of(key, self.lines), key, wrong, right))
        if len(self.faults) == MOST_FAULTS:
            more = Fault(self.path, None, "", "there may be more faults than these", "put these right first")
            raise ConfigFaults([*self.faults, more])
