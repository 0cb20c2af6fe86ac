"""Logs written out by hand: one line an observation, `seconds signal value [code words]`, read into EVENTS."""

from datetime import UTC, datetime, timedelta

import polars as pl

from runlog.schema import EVENTS, INSTANT
from runlog.site import Site, parse_site

SIGNALS = {
    "avail": ("AVAILABILITY", "", ""),
    "exec": ("EXECUTION", "", "path"),
    "mode": ("CONTROLLER_MODE", "", "path"),
    "program": ("PROGRAM", "", "path"),
    "estop": ("EMERGENCY_STOP", "", ""),
    "door": ("DOOR_STATE", "", "door"),
    "count": ("PART_COUNT", "ALL", "path"),
    "good": ("PART_COUNT", "GOOD", "path"),
    "bad": ("PART_COUNT", "BAD", "path"),
    "left": ("PART_COUNT", "REMAINING", "feeder"),
    "eob": ("END_OF_BAR", "PRIMARY", "feeder"),
    "change": ("MATERIAL_CHANGE", "RESPONSE", "feeder"),
    "standard": ("LENGTH", "STANDARD", "feeder"),
    "remaining": ("LENGTH", "REMAINING", "feeder"),
    "bars": ("BARS_LOADED", "", "feeder"),
    "lot": ("BAR_LOT", "", "feeder"),
    "feeder": ("CONDITION", "", "feeder"),
    "alarm": ("CONDITION", "", "path"),
    "main": ("ROTARY_VELOCITY", "ACTUAL", "main"),
    "sub": ("ROTARY_VELOCITY", "ACTUAL", "sub"),
    "load": ("LOAD", "", "main"),
}

TEN_AT_NIGHT = datetime(2026, 1, 12, 22, 0, tzinfo=UTC)
"""Second 0 of every literal log: a Monday, 22:00 in London, where winter time is UTC."""

SITE = """
[site]
name = "One lathe"
time_zone = "Europe/London"

[[shift]]
name = "night"
start = "22:00"
end = "23:00"
attended = false

[[shift]]
name = "day"
start = "23:00"
end = "22:00"

[[machine]]
name = "T01"
feeder = { bars_held = 4, longest_bar_mm = 1200, minimum_remnant_mm = 60, planned_reload_s = 30 }

[[job]]
name = "pin"
programs = ["O1"]
cycle_s = 100
part_mm = 40
parting_mm = 3
facing_mm = 1
top_cut_mm = 4
diameter_mm = 20
material = "steel"
density_kg_dm3 = 7.85
price_per_kg = 2
bar_mm = 300

[[job]]
name = "cap"
programs = ["O2"]
cycle_s = 60
part_mm = 20
parting_mm = 3
facing_mm = 1
diameter_mm = 16
material = "brass"
density_kg_dm3 = 8.47
bar_mm = 300

[[cause]]
cause = "misfeed"
codes = ["2101"]

[[cause]]
cause = "magazine empty"
text = "(?i)magazine empty"

[[cause]]
cause = "tool broken"
codes = ["3001"]
"""
"""n = floor((300 - 4 - 60) / 44) = 5 pins a bar, planned remnant 300 - 4 - 220 = 76 mm, PRI 100 + 30 / 5 = 106 s."""


def site(**replaced: str) -> Site:
    """The one-lathe site; keyword `old__new` style replacements are given as pairs of strings."""
    text = SITE
    for old, new in replaced.items():
        text = text.replace(old, new)
    return parse_site(text)


def second(value: float) -> datetime:
    """An instant, counted from 22:00."""
    return TEN_AT_NIGHT + timedelta(seconds=value)


def log(text: str, machine: str = "T01") -> pl.LazyFrame:
    """Read a literal log into EVENTS, in the order in which it is written."""
    rows = [
        _row(line.split(maxsplit=4), number, machine) for number, line in enumerate(text.split("\n")) if line.strip()
    ]
    frame = pl.DataFrame(
        rows, schema_overrides={"at": INSTANT, "code": pl.String, "message": pl.String}, infer_schema_length=None
    )
    return EVENTS.conform(
        frame.lazy().with_columns(
            stamped="at",
            number=pl.col("text").cast(pl.Float64, strict=False),
            type=pl.lit(None, pl.String),
            level=pl.when(pl.col("item") == "CONDITION").then("text"),
            condition_id="code",
            discrete=pl.lit(False),
            head=pl.lit(False),
            nth=pl.lit(0),
            source=pl.lit("log"),
            file=pl.lit("file"),
            body_start=pl.col("at").min(),
            cell=pl.lit(0),
        )
    )


def _row(words: list[str], number: int, machine: str) -> dict:
    item, sub_type, component = SIGNALS[words[1]]
    return {
        "machine": machine,
        "at": second(float(words[0])),
        "item": item,
        "sub_type": sub_type,
        "component": component,
        "data_item": words[1],
        "text": words[2],
        "code": words[3] if len(words) > 3 else None,
        "message": words[4] if len(words) > 4 else None,
        "line": number,
    }
