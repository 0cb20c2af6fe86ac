"""Sections of the site file, one model each, and the whole of it as a `Site`."""

from collections.abc import Mapping
from functools import cached_property
from typing import Any, Literal, Self, get_args
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field, model_validator

from runlog.schema import CAUSE_GROUPS, NO_JOB
from runlog.site.values import (
    Clock,
    DayOrInstant,
    Density,
    Email,
    Factor,
    Item,
    LocalDay,
    Millimetres,
    MillimetresOrZero,
    Pattern,
    Price,
    Quantity,
    Seconds,
    SecondsOrZero,
    Share,
    SpeedOrZero,
    Text,
    Zone,
    expected,
)

Day = Literal["mon", "tue", "wed", "thu", "fri", "sat", "sun"]
DAYS: tuple[Day, ...] = get_args(Day)


class _Section(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


# --- sections ------------------------------------------------------------------------------------


class SiteNames(_Section):
    """`[site]`: the shop's name, its time zone and the currency of prices."""

    name: Text
    time_zone: Zone
    currency: Text = "EUR"


class Break(_Section):
    """A break within a shift, local clock times."""

    start: Clock
    end: Clock


class Shift(_Section):
    """`[[shift]]`: local start and end; crosses midnight when the end is not after the start."""

    name: Text
    start: Clock
    end: Clock
    days: list[Day] = Field(default_factory=lambda: list(DAYS))
    attended: bool = True
    breaks: list[Break] = []


class Closure(_Section):
    """`[[closure]]`: local time not planned, for all machines or the named ones; the end is excluded."""

    start: DayOrInstant
    end: DayOrInstant
    reason: str = ""
    machines: list[str] = []


class Limits(_Section):
    """Limits of the rules, all with defaults (common practice in the trade unless said otherwise)."""

    cycle_gap_s: SecondsOrZero = 10.0
    hung_after_cycles: Factor = 3.0
    hung_after_least_s: Seconds = 300.0
    minor_stop_s: SecondsOrZero = 300.0
    reload_slow: Factor = 1.5
    reload_give_up: Factor = 5.0
    reload_give_up_least_s: Seconds = 300.0
    look_back_s: SecondsOrZero = 120.0
    look_ahead_s: SecondsOrZero = 10.0
    visit_after_s: SecondsOrZero = 900.0
    turning_above_rpm: SpeedOrZero = 1.0
    coverage_flag: Share = 0.95
    reload_fault_goal_per_100: Factor = 1.0


class OwnLimits(_Section):
    """Limits of one machine; what is not given is the site's."""

    cycle_gap_s: SecondsOrZero | None = None
    hung_after_cycles: Factor | None = None
    hung_after_least_s: Seconds | None = None
    minor_stop_s: SecondsOrZero | None = None
    reload_slow: Factor | None = None
    reload_give_up: Factor | None = None
    reload_give_up_least_s: Seconds | None = None
    look_back_s: SecondsOrZero | None = None
    look_ahead_s: SecondsOrZero | None = None
    visit_after_s: SecondsOrZero | None = None
    turning_above_rpm: SpeedOrZero | None = None
    coverage_flag: Share | None = None


class Feeder(_Section):
    """The bar feeder of a machine."""

    kind: Literal["short magazine", "long magazine", "hand"] = "short magazine"
    bars_held: Quantity
    longest_bar_mm: Millimetres
    minimum_remnant_mm: MillimetresOrZero
    planned_reload_s: Seconds


class Heartbeat(_Section):
    """An item that must be heard of within a limit, else there is no signal."""

    item: Item
    limit_s: Seconds


PartCounter = Literal[
    "", "counter ALL", "counter COMPLETE", "GOOD and BAD", "REMAINING", "program completed", "active stretch"
]


class Machine(_Section):
    """`[[machine]]`: one turning centre."""

    name: Text
    cell: str = ""
    feeder: Feeder | None = None
    spindles: list[Literal["main", "sub"]] = ["main"]
    path: str = ""
    part_counter: PartCounter = ""
    stops_for_breaks: bool = False
    automatic_door: bool = False
    heartbeat: Heartbeat | None = None
    limits: OwnLimits = OwnLimits()


class Key(_Section):
    """What a column, signal or key means: the standard item, and where it belongs."""

    item: Item
    sub_type: str = ""
    component: str = ""
    type: str = ""
    discrete: bool = False


class Csv(_Section):
    """How a CSV names its columns; `signal` and `value` make it long, else it is wide.

    `date` is the column of the date where `time` holds the clock only. `day_first` and `decimal` say how dates and
    numbers are written where files cannot tell; `columns` are the names where files have no header row.
    """

    time: Text
    date: str | None = None
    machine: str | None = None
    signal: str | None = None
    value: str | None = None
    code: str | None = None
    message: str | None = None
    delimiter: str | None = None
    day_first: bool | None = None
    decimal: Literal[".", ","] | None = None
    columns: list[str] = []

    @model_validator(mode="after")
    def _long_or_wide(self) -> "Csv":
        if (self.signal is None) != (self.value is None):
            raise expected("both `signal` and `value` (long) or neither (wide)")
        return self


class Source(_Section):
    """`[[source]]`: which files, what they are, whose they are.

    `machine` names the one machine of all these files; `machines` maps names used inside the files
    (device names, values of a CSV's machine column) onto machines of the site.
    """

    name: Text
    files: list[Text]
    format: Literal["auto", "csv", "adapter lines", "mtconnect streams"] = "auto"
    machine: str | None = None
    machines: dict[str, str] = {}
    time_zone: Zone | None = None
    clock_skew_s: SecondsOrZero | None = None
    devices: str | None = None
    csv: Csv | None = None
    keys: dict[str, Key] = {}
    values: dict[str, dict[str, str]] = {}
    ignore: list[str] = []


class Job(_Section):
    """`[[job]]`: a part as planned. Lengths along the bar in mm, the cycle in s."""

    name: Text
    programs: list[Text]
    cycle_s: Seconds
    part_mm: Millimetres
    parting_mm: MillimetresOrZero
    facing_mm: MillimetresOrZero = 0.0
    top_cut_mm: MillimetresOrZero = 0.0
    diameter_mm: Millimetres
    section: Literal["round", "hexagon", "square"] = "round"
    material: Text
    density_kg_dm3: Density
    price_per_kg: Price | None = None
    order_quantity: Quantity | None = None
    bar_mm: Millimetres
    feed_mode: Literal["push to stop", "servo feed", "sub-spindle pull"] = "push to stop"
    parts_per_cycle: Quantity = 1
    parts_per_bar: Quantity | None = None
    planned_reload_s: Seconds | None = None
    minimum_remnant_mm: MillimetresOrZero | None = None
    valid_from: LocalDay | None = None
    """Local date from which this standard holds; shifts before keep the one before."""


class Changeover(_Section):
    """`[changeover]`: planned time to set a bar feeder up for a batch, by what changes (common practice)."""

    size_s: SecondsOrZero = 300.0
    pusher_s: SecondsOrZero = 300.0
    liner_s: SecondsOrZero = 900.0
    collet_s: SecondsOrZero = 600.0


class Sawing(_Section):
    """`[sawing]`: the lengths in which bars are bought, and what a cut of the saw takes (common practice)."""

    bought_mm: Millimetres = 3000.0
    kerf_mm: MillimetresOrZero = 3.0


class Dashboard(_Section):
    """`[dashboard]`: who may write on its pages, by the e-mail of their login; all who open them if none is named."""

    writers: list[Email] = []


class CauseRule(_Section):
    """`[[cause]]`: alarms with one of these codes, or words matching `text`, have this cause."""

    cause: Text
    group: str | None = None
    codes: list[str] = []
    text: Pattern | None = None

    @model_validator(mode="after")
    def _known(self) -> "CauseRule":
        if not self.codes and self.text is None:
            raise expected("`codes` or `text`")
        if self.group is None and self.cause not in CAUSE_GROUPS:
            raise expected(f"a `group` for a cause of your own, or one of: {', '.join(CAUSE_GROUPS)}")
        return self


class Site(_Section):
    """The whole site file, checked."""

    site: SiteNames
    limits_: Limits = Field(default_factory=Limits, alias="limits")
    shift: list[Shift] = []
    closure: list[Closure] = []
    machine_: list[Machine] = Field(default=[], alias="machine")
    source: list[Source] = []
    job_: list[Job] = Field(default=[], alias="job")
    changeover: Changeover = Changeover()
    sawing: Sawing = Sawing()
    dashboard: Dashboard = Dashboard()
    cause: list[CauseRule] = []

    @property
    def zone(self) -> ZoneInfo:
        """The site's time zone."""
        return ZoneInfo(self.site.time_zone)

    @property
    def machines(self) -> list[Machine]:
        """Machines in the order of the file."""
        return self.machine_

    @property
    def jobs(self) -> list[Job]:
        """Jobs in the order of the file."""
        return self.job_

    @cached_property
    def _by_name(self) -> dict[str, Machine]:
        return {machine.name: machine for machine in self.machine_}

    def model_copy(self, *, update: Mapping[str, Any] | None = None, deep: bool = False) -> Self:
        """A copy with other sections; it finds its own machines."""
        copied = super().model_copy(update=update, deep=deep)
        vars(copied).pop("_by_name", None)
        return copied

    def machine(self, name: str) -> Machine:
        """The machine of that name; one the file does not know has no feeder and default limits."""
        return self._by_name.get(name) or Machine(name=name)

    def job(self, name: str) -> Job | None:
        """The job of that name, None for `no job` and unknown ones."""
        return None if name == NO_JOB else next((job for job in self.job_ if job.name == name), None)

    def limits(self, machine: str) -> Limits:
        """Limits that hold for a machine: its own, else the site's, else the defaults."""
        own = self.machine(machine).limits.model_dump(exclude_none=True)
        return self.limits_.model_copy(update=own)

    def planned_reload_s(self, machine: str, job: Job | None) -> float | None:
        """Planned reload time: the job's, else the feeder's. [s]"""
        if job and job.planned_reload_s is not None:
            return job.planned_reload_s
        feeder = self.machine(machine).feeder
        return feeder.planned_reload_s if feeder else None

    def minimum_remnant_mm(self, machine: str, job: Job) -> float:
        """Minimum remnant: the larger of the job's and the feeder's. [mm]"""
        feeder = self.machine(machine).feeder
        return max(job.minimum_remnant_mm or 0.0, feeder.minimum_remnant_mm if feeder else 0.0)

    def cause_group(self, cause: str) -> str:
        """Group of a cause, the site's own rules first."""
        own = next((rule.group for rule in self.cause if rule.cause == cause and rule.group), None)
        return own or CAUSE_GROUPS.get(cause, "unexplained")

    @property
    def cause_groups(self) -> dict[str, str]:
        """Every cause the site can name and its group."""
        # Of several rules of one cause the first counts, as in `cause_group`.
        return CAUSE_GROUPS | {rule.cause: rule.group for rule in reversed(self.cause) if rule.group}
