"""Sets that are saved on the share of a plant and in its further places."""

from __future__ import annotations

from datetime import datetime, timedelta

from tests.oracle import faults
from tests.oracle.clock import now
from tests.oracle.plants import FORMS, HOUR, Content, make_content, write
from tests.oracle.setting import DAY, Arm
from tests.oracle.telling import Telling


class Saving(Telling):
    """A plant whose arms are saved."""

    def age(self) -> timedelta:
        """How old a set is."""
        return self.dice.choice(
            (HOUR, 5 * HOUR, 20 * HOUR, 3 * DAY, 6.9 * DAY, 12 * DAY, 40 * DAY)
        ) * self.dice.uniform(0.8, 1.2)

    def path(self, arm: Arm, stamp: datetime, form: str) -> str:
        """Where a set of that stamp lies."""
        layout = self.dice.choice(self.setting.layouts)
        code = layout[layout.index("%") : layout.index("}", layout.index("%"))]
        local = (stamp.astimezone(self.setting.zone) if stamp.tzinfo else stamp).strftime(code)
        text = layout.replace("{arm}", arm.id).replace("{any}", self.dice.choice(("hall", "x y")))
        return text.replace(f"{{taken:{code}}}", local) + form

    def save(self, arm: Arm, age: timedelta, *, sound: bool = False) -> str:
        """Save an arm, perhaps with something wrong with the set; its path, empty where it was not saved."""
        taken = now().replace(microsecond=0) - age
        if self.dice.random() < 0.08:
            self.axis[arm.id] += 1
        if self.dice.random() < 0.15:
            self.taught[arm.id] += 1
        content = make_content(self.dice, arm, taken, self.axis[arm.id], self.taught[arm.id])
        stamp, form, told = taken, self.dice.choice(FORMS), ""
        sound = sound or (self.calm and self.dice.random() < 0.8)
        if not sound and self.dice.random() < 0.4:
            stamp, content, told = faults.at_save(self.dice, self.setting.zone, arm, self.others(arm), taken, content)
        if not sound and self.dice.random() < 0.1:
            content, told = self.refiled(arm, content), told + " refiled"
            if self.dice.random() < 0.3:
                content, told = faults.with_sums(content), told + " with checksums"
        path = self.path(arm, stamp, form)
        name = path.rsplit("/", 1)[-1].removesuffix(form)
        if any(f"{arm.id}/{name}" in other for other in [*self.memory.read().sets, *self.memory.known]):
            return ""  # of two sets of one stamp no rule says which is the newer one
        self.put("share", path, content, form, told)
        for place in self.setting.copies:
            if self.dice.random() < 0.85:
                self.put(place, path, content, form, "")
        return path

    def put(self, place: str, path: str, content: Content, form: str, told: str) -> None:
        """Write a set in a place."""
        write(self.root / place / path, content, form, self.setting.zone)
        self.note(f"saved {place}/{path} {told}")

    def others(self, arm: Arm) -> list[Content]:
        """What other arms' sets hold."""
        return [self.content(seen.path) for seen in self.memory.read().sets.values() if seen.arm != arm.id]

    def content(self, path: str) -> Content:
        """What a set on the share holds."""
        seen = self.memory.read().sets[path]
        return Content({name: (file.data, file.changed) for name, file in seen.files.items()})

    def refiled(self, arm: Arm, content: Content) -> Content:
        """An older set's bytes, with today's times."""
        mine = [seen.path for seen in self.memory.read().sets.values() if seen.arm == arm.id and seen.files]
        if not mine:
            return content
        times = max(changed for _, changed in content.files.values())
        return Content({name: (data, times) for name, (data, _) in self.content(self.dice.choice(mine)).files.items()})
