"""The invented shop: its jobs, its machines, its alarms, and the site file that tells of them.

Everything here is made up. Geometry is chosen so that the remnant of a full bar lies well between the
minimum remnant and one more pitch: how many parts a bar holds is then never a matter of tenths.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass

FORMATS = ("csv long", "csv wide", "adapter lines", "mtconnect streams")
ZONE = "Europe/Berlin"


@dataclass(frozen=True)
class Job:
    """A job as planned; lengths in mm, times in s, as in the site file."""

    name: str
    program: str
    cycle_s: float
    part_mm: float
    parting_mm: float
    facing_mm: float
    top_cut_mm: float
    diameter_mm: float
    section: str
    material: str
    density: float
    price: float
    bar_mm: float
    feed_mode: str = "push to stop"
    minimum_remnant_mm: float | None = None
    parts_per_bar: int | None = None
    order_quantity: int | None = None
    planned_reload_s: float | None = None

    @property
    def pitch_mm(self) -> float:
        """Stock used per part. [mm]"""
        return self.part_mm + self.parting_mm + self.facing_mm

    @property
    def kg_per_mm(self) -> float:
        """Mass of one millimetre of bar; the diameter of a hexagon or square is across flats. [kg]"""
        square_mm = self.diameter_mm**2
        factor = {"round": math.pi / 4, "hexagon": math.sqrt(3) / 2, "square": 1.0}[self.section]
        return square_mm * factor * self.density * 1e-6


JOBS = {
    job.name: job
    for job in (
        Job("bush 4711", "O4711", 96, 38, 3, 0.5, 5, 32, "round", "1.4305", 7.9, 5.2, 1200),
        Job("pin 2208", "O2208", 124, 31, 2.5, 0.3, 4, 20, "round", "1.4305", 7.9, 5.6, 1200),
        Job("nut 19", "O1907", 72, 16.2, 2.5, 0.3, 4, 19, "hexagon", "CW614N", 8.5, 7.4, 1000),
        Job("valve body", "O4210", 205, 52, 3.5, 0.5, 6, 42, "round", "11SMnPb30", 7.85, 1.9, 1250, "servo feed"),
        Job("spacer 24", "O3224", 84, 24, 3, 0.4, 5, 32, "round", "EN AW-6026", 2.72, 6.1, 1200, "servo feed"),
        Job(
            "shaft 118", "O2518", 238, 118, 3, 0.5, 5, 25, "round", "42CrMo4", 7.85, 2.3, 1250, "servo feed",
            minimum_remnant_mm=110, planned_reload_s=55,
        ),
        Job(
            "fitting 33", "O2833", 110, 33, 3, 0.5, 5, 28, "round", "CW614N", 8.5, 7.1, 1100, "sub-spindle pull",
            parts_per_bar=27,
        ),
        Job(
            "plug 22", "O2230", 100, 30, 3, 0.5, 5, 22, "square", "C45", 7.85, 1.7, 1150, order_quantity=2600
        ),
    )
}  # fmt: skip


@dataclass(frozen=True)
class Profile:
    """How one machine behaves and what its log tells.

    Attributes
    ----------
    style : str
        `ready` and `completed` leave ACTIVE after each part (for READY or PROGRAM_COMPLETED), `looping` never.
    evidence : str
        `change` (MATERIAL_CHANGE and END_OF_BAR), `end of bar` alone, or `remaining` (the feeder's countdown).
    waits_active : bool
        The program waits for the feeder while ACTIVE.
    count_lead_ms : int
        How long before the end of ACTIVE a part is counted.
    """

    jobs: tuple[str, ...]
    bars_held: int
    planned_reload_s: float
    minimum_remnant_mm: float = 90
    spindles: tuple[str, ...] = ("main",)
    style: str = "ready"
    evidence: str = "change"
    waits_active: bool = False
    count_lead_ms: int = 0
    counter: str = "ALL"
    quality: bool = False
    measures: bool = False
    notes_bars: bool = False
    order_counter: bool = False
    operator_id: bool = False
    rotary: bool = True
    load: bool = False
    stops_for_breaks: bool = False
    alarm_when_empty: bool = True


PROFILES = (
    Profile(
        ("bush 4711", "pin 2208"), 14, 40, spindles=("main", "sub"), measures=True, notes_bars=True,
        operator_id=True, count_lead_ms=400,
    ),
    Profile(("valve body", "spacer 24"), 12, 45, style="looping", order_counter=True),
    Profile(
        ("nut 19", "shaft 118"), 16, 48, spindles=("main", "sub"), style="completed", quality=True,
        measures=True, notes_bars=True, operator_id=True, alarm_when_empty=False, load=True,
    ),
    Profile(("spacer 24", "pin 2208"), 12, 60, evidence="end of bar", rotary=False),
    Profile(
        ("fitting 33",), 14, 35, minimum_remnant_mm=60, spindles=("main", "sub"), evidence="remaining",
        notes_bars=True, count_lead_ms=250,
    ),
    Profile(
        ("spacer 24", "plug 22", "bush 4711"), 6, 50, style="completed", counter="PROGRAM", waits_active=True,
        stops_for_breaks=True,
    ),
)  # fmt: skip
"""Profile 0 has chronic misfeeds on 20 mm; 3 drifts; 5 holds too few bars for a night."""


def machine_names(machines: int) -> list[str]:
    """T01, T02, ..."""
    return [f"T{number:02d}" for number in range(1, machines + 1)]


def profile(number: int) -> Profile:
    """Profile of the machine with this number from 0."""
    return PROFILES[number % len(PROFILES)]


@dataclass(frozen=True)
class Alarm:
    """A native code with its words and the cause the site file gives it."""

    code: str
    text: str
    cause: str
    key: str = "logic"


ALARMS = {
    alarm.cause: alarm
    for alarm in (
        Alarm("2101", "Bar feeder: misfeed, bar not picked", "misfeed", "feeder_cond"),
        Alarm("2102", "Bar feeder: bar jammed in channel", "bar jammed", "feeder_cond"),
        Alarm("2103", "Bar feeder: double feed", "double feed", "feeder_cond"),
        Alarm("2104", "Bar feeder: remnant not ejected", "remnant not ejected", "feeder_cond"),
        Alarm("2110", "Bar feeder: magazine empty", "magazine empty", "feeder_cond"),
        Alarm("3001", "Tool breakage detected T0505", "tool broken"),
        Alarm("3010", "Tool life ended T0303", "tool life ended"),
        Alarm("4001", "Part catcher full", "catcher full"),
        Alarm("1040", "Coolant level low", "coolant low", "system"),
        Alarm("0414", "Servo drive Z1: overcurrent", "drive fault", "system"),
        Alarm("1050", "Air pressure below limit", "air pressure", "system"),
        Alarm("6001", "Swarf nest at main spindle", "swarf nest"),
    )
}
BY_WORDS = {"swarf nest": "(?i)swarf nest", "magazine empty": "(?i)magazine empty"}
CONSEQUENCES = tuple(
    Alarm(f"70{number:02d}", f"Channel 1: axis {axis} not in position ({number})", "other alarm", "system")
    for number, axis in enumerate("XZYBCXZYBCXZYBCXZ", 1)
)
WARNINGS = (
    Alarm("1140", "Coolant filter: change soon", "other alarm", "system"),
    Alarm("3110", "Tool T0303: 10 % of life left", "other alarm"),
)


@dataclass(frozen=True)
class Signal:
    """One thing a machine's log tells: its standard item and how each format calls it."""

    key: str
    item: str
    sub_type: str
    component: str
    element: str
    category: str
    type: str = ""


SIGNALS = (
    Signal("avail", "AVAILABILITY", "", "path", "Availability", "Events"),
    Signal("estop", "EMERGENCY_STOP", "", "path", "EmergencyStop", "Events"),
    Signal("mode", "CONTROLLER_MODE", "", "path", "ControllerMode", "Events"),
    Signal("program", "PROGRAM", "MAIN", "path", "Program", "Events"),
    Signal("door", "DOOR_STATE", "", "door", "DoorState", "Events"),
    Signal("operator", "OPERATOR_ID", "", "path", "OperatorId", "Events"),
    Signal("parts", "PART_COUNT", "ALL", "path", "PartCount", "Events"),
    Signal("parts_good", "PART_COUNT", "GOOD", "path", "PartCount", "Events"),
    Signal("parts_bad", "PART_COUNT", "BAD", "path", "PartCount", "Events"),
    Signal("order_left", "PART_COUNT", "REMAINING", "path", "PartCount", "Events"),
    Signal("bar_left", "PART_COUNT", "REMAINING", "feeder", "PartCount", "Events"),
    Signal("end_of_bar", "END_OF_BAR", "PRIMARY", "feeder", "EndOfBar", "Events"),
    Signal("change", "MATERIAL_CHANGE", "RESPONSE", "feeder", "MaterialChange", "Events"),
    Signal("length", "LENGTH", "STANDARD", "feeder", "Length", "Samples"),
    Signal("length_left", "LENGTH", "REMAINING", "feeder", "Length", "Samples"),
    Signal("system", "CONDITION", "", "path", "", "Condition", "SYSTEM"),
    Signal("logic", "CONDITION", "", "path", "", "Condition", "LOGIC_PROGRAM"),
    Signal("feeder_cond", "CONDITION", "", "feeder", "", "Condition", "ACTUATOR"),
    Signal("s1", "ROTARY_VELOCITY", "ACTUAL", "main", "RotaryVelocity", "Samples"),
    Signal("s2", "ROTARY_VELOCITY", "ACTUAL", "sub", "RotaryVelocity", "Samples"),
    Signal("exec", "EXECUTION", "", "path", "Execution", "Events"),
    Signal("load1", "LOAD", "", "main", "Load", "Samples"),
    Signal("coolant_temp", "TEMPERATURE", "", "coolant", "Temperature", "Samples"),
)
"""In the order in which several at one instant are written."""
RANK = {signal.key: rank for rank, signal in enumerate(SIGNALS)}
NOTE_ITEMS = ("BARS_LOADED", "BAR_LOT", "LINER", "PUSHER")


def signals_of(kind: Profile) -> list[Signal]:
    """Signals that a machine of this profile logs."""
    absent = {
        "operator": not kind.operator_id,
        "parts": kind.counter != "ALL",
        "parts_good": not kind.quality,
        "parts_bad": not kind.quality,
        "order_left": not kind.order_counter,
        "bar_left": kind.evidence != "remaining",
        "end_of_bar": kind.evidence == "remaining",
        "change": kind.evidence != "change",
        "length": not kind.measures,
        "length_left": not kind.measures,
        "s1": not kind.rotary,
        "load1": not kind.load,
        "s2": not (kind.rotary and "sub" in kind.spindles),
    }
    return [signal for signal in SIGNALS if not absent.get(signal.key, False)]


def format_of(number: int, formats: Sequence[str]) -> str:
    """Format in which the machine with this number from 0 is logged."""
    return formats[number % len(formats)]
