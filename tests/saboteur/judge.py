"""What must hold after each act, whatever was done: judged by what the saboteur knows, and by the databases themselves."""

from __future__ import annotations

import hashlib
import json
from collections import Counter
from typing import Any

from tests.plant import Result
from tests.saboteur.world import World, bodies, database

EXIT_CODES = {"clear": 0, "caution": 10, "hold": 20, "unknown": 30}
LONG_BLOCKED = 3
"""After so many checks running at which nothing could carry an answer, no judgement from before is still on its way."""


THOROUGH = 0.4
"""How often a check is made by a further command, where the databases tell the same sooner."""


class Violated(AssertionError):
    """An invariant does not hold."""


class Judge:
    """Checks a world after each act, and remembers what it saw before."""

    def __init__(self, world: World) -> None:
        self.world = world
        self.last: tuple[Any, ...] = ()
        """The last entry of the ledger."""
        self.blocked: dict[str, int] = {}
        """For how many checks running each arm had to be blocked."""
        self.lifted = 0
        self.counts: Counter[str] = Counter()
        """How often each verdict was given, and each refusal."""

    def check(self) -> None:
        """Check all that must hold at any moment."""
        self.answers()
        self.ledger()
        self.sets()
        self.warnings()
        self.monitor()

    # No false clear

    def answers(self) -> None:
        """No answer is clear where the saboteur knows better, and every other one is given as agreed."""
        world = self.world
        against = {arm: world.not_clear(arm) for arm in world.plant.arms}
        blocked = {arm: world.must_block(arm) for arm in world.plant.arms}
        some = world.rng.choice((None, *world.plant.arms))
        asked = world.guard(
            "ask", *(("--all",) if some is None else ("--arm", some)), "--action", "power-down", "--json"
        )
        if not self._refused(asked):
            answers = asked.json["answers"]
            for answer in answers:
                self._answer(answer, against, blocked)
            if asked.code != EXIT_CODES[asked.json["verdict"]]:
                raise Violated(f"exit code {asked.code} with the verdict {asked.json['verdict']}")
            if {answer["arm"] for answer in answers} != (set(world.plant.arms) if some is None else {some}):
                raise Violated("not every arm that was asked about is answered for")
        for arm in world.plant.arms:
            self.blocked[arm] = self.blocked.get(arm, 0) + 1 if blocked[arm] else 0

    def _answer(self, answer: dict[str, Any], against: dict[str, str], blocked: dict[str, bool]) -> None:
        arm, verdict = answer["arm"], answer["verdict"]
        self.counts[verdict] += 1
        told = f"{arm}: {verdict}, resting on {answer['set'] and answer['set']['path']}: {answer['findings']}"
        if verdict == "clear":
            newest = self.world.newest(arm)
            if against[arm]:
                raise Violated(f"a false clear, for {against[arm]}. {told}")
            if answer["set"] is None or newest is None or answer["set"]["path"] != newest.path:
                raise Violated(f"a clear that does not rest on the newest set {newest}. {told}")
        if blocked[arm] and verdict not in ("hold", "unknown"):
            raise Violated(f"nothing can carry an answer ({against[arm]}), and yet: {told}")

    def _refused(self, asked: Result) -> bool:
        """Whether there is no answer, for a reason that is in force."""
        if asked.code not in (1, 2):
            return False
        self.counts["refused"] += 1
        if not self.world.may_refuse(asked.err):
            raise Violated(f"refused without a cause: {asked}")
        if asked.raw:
            raise Violated(f"refused, and yet answered: {asked}")
        return True

    # The ledger

    def ledger(self) -> None:
        """The chain is whole, by our own reckoning and by the tool's, and nothing that once stood in it is missing."""
        world = self.world
        if not world.state_is_there():
            return
        entries = self._entries()
        prev = "0" * 64
        for number, (seq, *about, body, before, digest) in enumerate(entries, 1):
            text = f"{_json([seq, *about])[:-1]},{body},{_json(prev)}]"
            if (seq, before, digest) != (number, prev, hashlib.sha256(text.encode()).hexdigest()):
                raise Violated(f"the chain of the ledger breaks at entry {number}")
            prev = digest
        if self.last and self.last not in entries[self.last[0] - 1 : self.last[0]]:
            raise Violated(f"the ledger lacks what it had: {self.last}")
        self.last = entries[-1]
        by = {json.loads(body).get("by") for _, _, kind, _, body, *_ in entries if kind == "mark"}
        if lost := world.marks - by:
            raise Violated(f"marks that were recorded are lost: {sorted(lost)}")
        if world.rng.random() < THOROUGH:
            checked = world.guard("ledger", "check", "--json")
            if not checked.json["intact"] or checked.json["entries"] < len(entries):
                raise Violated(f"of {len(entries)} entries that are a whole chain: {checked}")

    def _entries(self) -> list[tuple[Any, ...]]:
        db = database(self.world.state / "ledger.db")
        try:
            return db.execute("SELECT seq, at, kind, arm, body, prev, hash FROM entries ORDER BY seq").fetchall()
        finally:
            db.close()

    # The catalogue

    def sets(self) -> None:
        """No set is catalogued twice, and shown are just those that are there."""
        world = self.world
        if not world.state_is_there():
            return
        if twice := [path for path, count in self._catalogued().items() if count > 1]:
            raise Violated(f"catalogued twice: {twice}")
        if world.rng.random() < THOROUGH:
            shown = world.guard("sets", "--json")
            if shown.code != 0:
                raise Violated(f"the sets cannot be shown: {shown}")
            paths = [each["path"] for each in shown.json["sets"]]
            if len(paths) != len(set(paths)) or (world.share_is_there() and set(paths) != set(world.sets)):
                raise Violated(f"shown are {sorted(paths)}, there are {sorted(world.sets)}")

    def _catalogued(self) -> Counter[str]:
        db = database(self.world.state / "catalogue.db")
        try:
            return Counter(
                path.decode() for (path,) in db.execute("SELECT path FROM sets WHERE gone_at IS NULL AND place=0")
            )
        finally:
            db.close()

    def is_settled(self) -> bool:
        """Whether the monitor has taken in all that there is."""
        return set(self._catalogued()) == set(self.world.sets) and not self._arriving()

    def _arriving(self) -> bool:
        db = database(self.world.state / "catalogue.db")
        try:
            waiting = "complete IS NULL AND damaged_at IS NULL AND place=0 AND gone_at IS NULL"
            return bool(db.execute(f"SELECT 1 FROM sets WHERE {waiting}").fetchone())
        finally:
            db.close()

    def settled(self) -> None:
        """In a calm: exactly the sets that are there are catalogued, and each was told as complete once."""
        world = self.world
        if set(self._catalogued()) != set(world.sets):
            raise Violated(f"catalogued otherwise than there: {sorted(set(self._catalogued()) ^ set(world.sets))}")
        told = Counter(str(body["set"]) for _, _, body in bodies(world, "set") if body["state"] == "complete")
        for saved in world.whole():
            if not saved.least_told <= told[saved.path] <= saved.told_times:
                wanted = f"{saved.least_told} to {saved.told_times}"
                raise Violated(f"{saved} is told {told[saved.path]} times as complete, not {wanted}")

    # Warnings

    def warnings(self) -> None:
        """What was raised is raised still, or was lifted for a cause that there was."""
        if not self.world.state_is_there():
            return
        told, rows = self._warned()
        raised: set[tuple[str, str]] = set()
        lifted = []
        for number, arm, body in told:
            key = str(body["event"]), arm
            if (body["verb"] == "raised") == (key in raised):
                raise Violated(f"entry {number}: {body['verb']} {key}, and raised are {sorted(raised)}")
            if body["verb"] == "lifted":
                raised.remove(key)
                lifted.append((number, *key, str(body["lifted_by"])))
            else:
                raised.add(key)
        if rows != raised:
            raise Violated(f"raised by their rows are {sorted(rows)}, by the ledger {sorted(raised)}")
        for each in lifted[self.lifted :]:
            self._lifted(*each)
        self.lifted = len(lifted)

    def raised(self) -> set[tuple[str, str]]:
        """The warnings that are raised now."""
        return self._warned()[1]

    def _warned(self) -> tuple[list[tuple[int, str, dict[str, Any]]], set[tuple[str, str]]]:
        db = database(self.world.state / "ledger.db")
        try:
            db.execute("BEGIN")  # both as of one moment
            told = db.execute("SELECT seq, arm, body FROM entries WHERE kind='warning' ORDER BY seq").fetchall()
            rows = set(db.execute("SELECT event, arm FROM warnings WHERE lifted_at IS NULL"))
        finally:
            db.close()
        return [(number, arm, json.loads(body)) for number, arm, body in told], rows

    def _lifted(self, number: int, event: str, arm: str, cause: str) -> None:
        self.counts[f"lifted, {cause}"] += 1
        world = self.world
        there_was = {
            "its cause is gone": self.blocked.get(arm, 0) < LONG_BLOCKED,
            "the event is over": event in world.events and world.events[event] <= world.latest_clock,
            "the event was dropped": event in world.dropped,
        }
        if not there_was.get(cause):
            raise Violated(f"entry {number}: the warning of {event} and {arm} was lifted: {cause!r}, which is not so")

    # The monitor

    def monitor(self) -> None:
        """The monitor lives as long as nobody ends it, and has no fault of its own."""
        daemon = self.world.daemon
        if daemon.process is not None and not daemon.runs():
            raise Violated(f"the monitor ended by itself: {daemon.alarms.read_text()[-2000:]}")
        for text in (daemon.log, daemon.alarms.read_text() if daemon.alarms.exists() else ""):
            if "Traceback" in text or "fault of the tool" in text:
                at = max(text.rfind("Traceback"), text.rfind("fault of the tool"))
                raise Violated(f"the monitor had a fault: {text[max(at - 1500, 0) : at + 3000]}")


def _json(value: object) -> str:
    return json.dumps(value, separators=(",", ":"))
