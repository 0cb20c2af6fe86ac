"""The site file: what a shop tells `runlog` about itself, as one checked `Site`.

    site = load_site(Path("site.toml"))     # SiteError lists every mistake at once
    site.machine("T01").feeder.bars_held
    site.limits("T01").minor_stop_s         # the machine's own limit, else the site's, else the default

Sections of the TOML: `[site]`, `[limits]`, `[[shift]]`, `[[closure]]`, `[[machine]]`, `[[source]]`,
`[[job]]`, `[[cause]]`. `STARTER` is the commented file that `runlog site new` writes. In messages the
entries of a list count from 1, as people do.
"""

import re
import tomllib
from datetime import date, datetime, time
from functools import cached_property
from importlib import resources
from pathlib import Path
from typing import Annotated, Any, Literal, get_args
from zoneinfo import ZoneInfo, available_timezones

from pydantic import BaseModel, BeforeValidator, ConfigDict, Field, ValidationError, model_validator
from pydantic_core import ErrorDetails, PydanticCustomError

from runlog.errors import SiteError
from runlog.schema import CAUSE_GROUPS, NO_JOB

# --- values, each with the words for what is expected --------------------------------------------


def _expected(what: str) -> PydanticCustomError:
    return PydanticCustomError("expected", "{what}", {"what": what})


def _number(what: str, *, above: float | None = None, least: float | None = None) -> BeforeValidator:
    def check(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise _expected(what)
        if (above is not None and value <= above) or (least is not None and value < least):
            raise _expected(what)
        return value

    return BeforeValidator(check)


def _whole(what: str, least: int) -> BeforeValidator:
    def check(value: Any) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or value < least:
            raise _expected(what)
        return value

    return BeforeValidator(check)


def _text(value: Any) -> str:
    if not isinstance(value, str) or not value.strip():
        raise _expected("a text")
    return value


def _clock(value: Any) -> time:
    if isinstance(value, time):
        return value
    try:
        return time.fromisoformat(value)
    except (TypeError, ValueError):
        raise _expected('a local clock time such as "22:00"') from None


def _zone(value: Any) -> str:
    if not isinstance(value, str) or value not in available_timezones():
        raise _expected('a time zone such as "Europe/Berlin"')
    return value


def _pattern(value: Any) -> str:
    try:
        re.compile(value)
    except (TypeError, re.error):
        raise _expected("a text or regular expression") from None
    return value


Seconds = Annotated[float, _number("a time above 0 s", above=0)]
SecondsOrZero = Annotated[float, _number("a time of 0 s or more", least=0)]
Millimetres = Annotated[float, _number("a length above 0 mm", above=0)]
MillimetresOrZero = Annotated[float, _number("a length of 0 mm or more", least=0)]
Density = Annotated[float, _number("a density above 0 kg/dm3", above=0)]
Price = Annotated[float, _number("a price of 0 or more", least=0)]
Ratio = Annotated[float, _number("a factor above 0", above=0)]
Quantity = Annotated[int, _whole("a whole number of 1 or more", 1)]
Text = Annotated[str, BeforeValidator(_text)]
Clock = Annotated[time, BeforeValidator(_clock)]
Zone = Annotated[str, BeforeValidator(_zone)]
Pattern = Annotated[str, BeforeValidator(_pattern)]
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

    start: datetime | date
    end: datetime | date
    reason: str = ""
    machines: list[str] = []


class Limits(_Section):
    """Limits of the rules, all with defaults (common practice in the trade unless said otherwise)."""

    cycle_gap_s: SecondsOrZero = 10.0
    hung_after_cycles: Ratio = 3.0
    hung_after_least_s: Seconds = 300.0
    minor_stop_s: SecondsOrZero = 300.0
    reload_slow: Ratio = 1.5
    reload_give_up: Ratio = 5.0
    reload_give_up_least_s: Seconds = 300.0
    look_back_s: SecondsOrZero = 120.0
    look_ahead_s: SecondsOrZero = 10.0
    visit_after_s: SecondsOrZero = 900.0
    turning_above_rpm: SecondsOrZero = 1.0
    coverage_flag: Ratio = 0.95


class OwnLimits(_Section):
    """Limits of one machine; what is not given is the site's."""

    cycle_gap_s: SecondsOrZero | None = None
    hung_after_cycles: Ratio | None = None
    hung_after_least_s: Seconds | None = None
    minor_stop_s: SecondsOrZero | None = None
    reload_slow: Ratio | None = None
    reload_give_up: Ratio | None = None
    reload_give_up_least_s: Seconds | None = None
    look_back_s: SecondsOrZero | None = None
    look_ahead_s: SecondsOrZero | None = None
    visit_after_s: SecondsOrZero | None = None
    turning_above_rpm: SecondsOrZero | None = None
    coverage_flag: Ratio | None = None


class Feeder(_Section):
    """The bar feeder of a machine."""

    kind: Literal["short magazine", "long magazine", "hand"] = "short magazine"
    bars_held: Quantity
    longest_bar_mm: Millimetres
    minimum_remnant_mm: MillimetresOrZero
    planned_reload_s: Seconds


class Heartbeat(_Section):
    """An item that must be heard of within a limit, else there is no signal."""

    item: Text
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

    item: Text
    sub_type: str = ""
    component: str = ""
    type: str = ""
    discrete: bool = False


class Csv(_Section):
    """How a CSV names its columns; `signal` and `value` make it long, else it is wide."""

    time: Text
    machine: str | None = None
    signal: str | None = None
    value: str | None = None
    code: str | None = None
    message: str | None = None
    delimiter: str | None = None

    @model_validator(mode="after")
    def _long_or_wide(self) -> "Csv":
        if (self.signal is None) != (self.value is None):
            raise _expected("both `signal` and `value` (long) or neither (wide)")
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


class CauseRule(_Section):
    """`[[cause]]`: alarms with one of these codes, or words matching `text`, have this cause."""

    cause: Text
    group: str | None = None
    codes: list[str] = []
    text: Pattern | None = None

    @model_validator(mode="after")
    def _known(self) -> "CauseRule":
        if not self.codes and self.text is None:
            raise _expected("`codes` or `text`")
        if self.group is None and self.cause not in CAUSE_GROUPS:
            raise _expected(f"a `group` for a cause of your own, or one of: {', '.join(CAUSE_GROUPS)}")
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
        return CAUSE_GROUPS | {rule.cause: rule.group for rule in self.cause if rule.group}


# --- reading and checking ------------------------------------------------------------------------


def load_site(path: Path) -> Site:
    """Read and check a site file.

    Parameters
    ----------
    path : Path
        The TOML file, UTF-8 (a byte-order mark is tolerated).

    Returns
    -------
    Site

    Raises
    ------
    SiteError
        The file is missing, is no TOML, or holds mistakes: all of them, one a line.
    """
    try:
        content = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise SiteError(
            [f"{path}: no site file found; `runlog site new` writes one to start from, --site names another"]
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise SiteError([f"{path}: cannot be read: {error}"]) from None
    return parse_site(content, path.name)


def parse_site(content: str, name: str = "site.toml") -> Site:
    """Check the text of a site file; `name` is how messages call it. See `load_site`."""
    try:
        tree = tomllib.loads(content)
    except tomllib.TOMLDecodeError as error:
        raise SiteError([f"{name}: no valid TOML: {error}"]) from None
    try:
        site = Site.model_validate(tree)
    except ValidationError as error:
        raise SiteError([f"{name}: {_mistake(detail)}" for detail in error.errors()]) from None
    if mistakes := _cross_checks(site):
        raise SiteError([f"{name}: {mistake}" for mistake in mistakes])
    return site


def _mistake(detail: ErrorDetails) -> str:
    where = "".join(f"[{step + 1}]" if isinstance(step, int) else f".{step}" for step in detail["loc"])
    where = where.lstrip(".") or "the file"
    if detail["type"] == "missing":
        return f"{where}: nothing found, a value expected"
    if detail["type"] == "extra_forbidden":
        return f"{where}: unknown key found, a known one expected (spelling?)"
    found = detail["input"]
    shown = "these keys" if isinstance(found, dict | BaseModel) else repr(found)
    wanted = str(detail["msg"]).removeprefix("Input should be ")
    return f"{where}: {shown} found, {wanted} expected"


def _cross_checks(site: Site) -> list[str]:
    names = [machine.name for machine in site.machines]
    mistakes = [
        *_repeats("machine", names),
        *_repeats("job", [job.name for job in site.jobs]),
        *_repeats("shift", [shift.name for shift in site.shift]),
        *_repeats("source", [source.name for source in site.source]),
    ]
    programs: dict[str, int] = {}
    for number, job in enumerate(site.jobs, 1):
        for program in job.programs:
            first = programs.setdefault(program, number)
            if first != number:
                mistakes.append(
                    f"job[{number}].programs: {program!r} found, already of job[{first}]; one job a program expected"
                )
        if job.bar_mm <= job.top_cut_mm + job.part_mm:
            mistakes.append(
                f"job[{number}].bar_mm: {job.bar_mm:g} found, more than top cut and one part expected"
            )
    for number, source in enumerate(site.source, 1):
        wanted = [source.machine] if source.machine else list(source.machines.values())
        mistakes += [
            f"source[{number}].machine: {name!r} found, a machine of this file expected"
            for name in wanted
            if name not in names
        ]
    for number, closure in enumerate(site.closure, 1):
        mistakes += [
            f"closure[{number}].machines: {name!r} found, a machine of this file expected"
            for name in closure.machines
            if name not in names
        ]
        if _as_key(closure.start) >= _as_key(closure.end):
            mistakes.append(f"closure[{number}].end: {closure.end} found, an end after the start expected")
    return mistakes


def _as_key(value: datetime | date) -> datetime:
    return (
        value.replace(tzinfo=None)
        if isinstance(value, datetime)
        else datetime(value.year, value.month, value.day)
    )


def _repeats(section: str, names: list[str]) -> list[str]:
    return [
        f"{section}[{number}].name: {name!r} found, a name not used before expected"
        for number, name in enumerate(names, 1)
        if name in names[: number - 1]
    ]


def starter() -> str:
    """The commented site file that `runlog site new` writes; it passes its own check."""
    return resources.files("runlog").joinpath("starter_site.toml").read_text(encoding="utf-8")
