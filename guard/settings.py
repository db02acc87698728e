"""The settings of one plant as frozen types."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta, tzinfo

from guard.model import Limits
from guard.plant import ArchiveLimits, Arm, CalendarRule, CellType, Recipe
from guard.record import Record


class Keep(Record):
    """Which sets retention keeps. ``copies`` is leave or same: whether further copies are treated likewise."""

    all_for: timedelta
    daily: int
    weekly: int
    monthly: int
    yearly: int
    at_least: int
    grace: timedelta
    copies: str


class Service(Record):
    """How often and when the monitor does what by itself. ``nightly`` is minutes after midnight in the plant's zone."""

    reconcile: timedelta
    poll: timedelta
    nightly: int
    read_back_budget: int


class Reports(Record):
    """When the nightly report is written, in minutes after midnight in the plant's zone, and how long it is kept."""

    at: int
    keep: timedelta


class Warnings(Record):
    """How long before a planned event it is judged, how often a blocking warning is told again, and where sheets go."""

    lead_times: tuple[timedelta, ...]
    repeat: timedelta
    sheets_on_share: bool


class Mail(Record):
    """How mail leaves the plant. ``tls`` is starttls, tls or none; the password stands in a file of its own."""

    host: str
    port: int
    sender: str
    to: tuple[str, ...]
    tls: str
    user: str
    password_file: str


class Notify(Record):
    """Who is told besides the log. ``apprise_file`` holds one address a line, since addresses hold secrets."""

    mail: Mail | None
    webhook: str
    apprise_file: str


class Calendar(Record):
    """Which calendars are watched, how far recurrences are followed, how much is taken in, and what entries mean."""

    watch: tuple[str, ...]
    horizon: timedelta
    most: int
    largest: int
    rules: tuple[CalendarRule, ...]


class Settings(Record):
    """Everything that the configuration says. Paths are absolute."""

    file: str
    plant: str
    timezone: str
    state: str
    share: str
    layouts: tuple[str, ...]
    settle: timedelta
    watch: str
    copies: tuple[str, ...]
    limits: Limits
    archives: ArchiveLimits
    keep: Keep
    service: Service
    reports: Reports
    warnings: Warnings
    visit_steps: str
    """The file of a visit's steps; empty where those hold that come with the tool."""
    notify: Notify
    calendar: Calendar
    recipes: Mapping[str, Recipe]
    cell_types: Mapping[str, CellType]
    arms: Mapping[str, Arm]

    def zone(self) -> tzinfo:
        """The plant's zone."""
        from zoneinfo import ZoneInfo

        return ZoneInfo(self.timezone)

    def recipe_of(self, arm: str) -> Recipe:
        """The recipe of an arm's sets."""
        return self.recipes[self.arms[arm].recipe]
