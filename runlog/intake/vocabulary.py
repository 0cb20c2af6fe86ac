"""The words of the event table: items, listed values, component names, and how a source's words become them.

Items are MTConnect types in upper snake case. What a source means by one of its keys is a `Meaning`;
`spell` brings values into their one spelling, for every format alike.
"""

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace
from functools import reduce
from typing import Final

import polars as pl

from runlog.site import Key, Source

CONDITION: Final = "CONDITION"
UNAVAILABLE: Final = "UNAVAILABLE"
LEVELS: Final = ("NORMAL", "WARNING", "FAULT", UNAVAILABLE)


def _words(text: str) -> frozenset[str]:
    return frozenset(text.split())


LISTED: Final = _words(
    """
    ACTUATOR_STATE AVAILABILITY AXIS_COUPLING AXIS_INTERLOCK AXIS_STATE CHUCK_INTERLOCK CHUCK_STATE
    CLOSE_CHUCK CLOSE_DOOR CONDITION CONTROLLER_MODE CONTROLLER_MODE_OVERRIDE DIRECTION DOOR_STATE
    EMERGENCY_STOP END_OF_BAR EQUIPMENT_MODE EXECUTION FUNCTIONAL_MODE INTERFACE_STATE LOCK_STATE
    MATERIAL_CHANGE MATERIAL_FEED MATERIAL_LOAD MATERIAL_RETRACT MATERIAL_UNLOAD OPEN_CHUCK OPEN_DOOR
    OPERATING_MODE PART_CHANGE PART_DETECT PART_PROCESSING_STATE PART_STATUS PATH_MODE POWER_STATE
    POWER_STATUS PROCESS_STATE PROGRAM_EDIT ROTARY_MODE SPINDLE_INTERLOCK VALVE_STATE WAIT_STATE
    """
)
"""Items whose values come from a list, so that their case carries no meaning."""

FREE_TEXT: Final = _words(
    """
    ALARM ASSET_CHANGED ASSET_REMOVED BAR_LOT BLOCK LINE_LABEL LINER MATERIAL MESSAGE OPERATOR_ID
    PALLET_ID PART_ID PART_KIND_ID PART_NUMBER PART_UNIQUE_ID PROGRAM PROGRAM_COMMENT PROGRAM_EDIT_NAME
    PROGRAM_HEADER PUSHER SERIAL_NUMBER TOOL_ASSET_ID TOOL_GROUP TOOL_ID USER
    """
)
"""Items whose digits are a name, not a number: `0012` is not `12`."""

MEASURED: Final = _words(
    """
    ACCUMULATED_TIME ANGLE AXIS_FEEDRATE AXIS_FEEDRATE_OVERRIDE BARS_LOADED CYCLE_COUNT EQUIPMENT_TIMER
    KEY_PRESSED LENGTH LINE LINE_NUMBER LOAD LOAD_COUNT PART_COUNT PATH_FEEDRATE PATH_FEEDRATE_OVERRIDE
    PATH_POSITION POSITION PRESSURE PROCESS_TIMER ROTARY_VELOCITY ROTARY_VELOCITY_OVERRIDE SPINDLE_SPEED
    TEMPERATURE TOOL_NUMBER
    """
)
"""Items that hold a number, or a name made of one."""

DISCRETE: Final = frozenset({"BARS_LOADED"})
"""Items of which every copy is news, whatever a source says: a second filling with as many bars is a second one."""

DEFAULT_SUB_TYPES: Final = {"PART_COUNT": "ALL", "ROTARY_VELOCITY": "ACTUAL", "END_OF_BAR": "PRIMARY"}
FIELDS: Final = {CONDITION: 5, "ALARM": 5, "MESSAGE": 2, "ASSET_CHANGED": 2, "ASSET_REMOVED": 2}
"""Fields an item takes in adapter lines; all others take one."""

STANDARD: Final = LISTED | FREE_TEXT | MEASURED
"""Standard items that a column, signal or key of the same name is taken for."""

FEEDER_COMPONENTS: Final = frozenset({"BarFeeder", "BarFeederInterface", "Stock", "Loader"})
SPINDLE_ITEMS: Final = frozenset({"ROTARY_VELOCITY", "SPINDLE_SPEED"})


@dataclass(frozen=True)
class Meaning:
    """What one key of a source stands for; `fields` is how many fields it takes in adapter lines."""

    item: str
    sub_type: str = ""
    component: str = ""
    type: str | None = None
    discrete: bool = False
    fields: int = 1


@dataclass(frozen=True)
class Component:
    """One component of a device: its type, its name, whether it turns, whether it sits in a feeder."""

    type: str
    name: str
    spindle: bool = False
    in_feeder: bool = False


def snake(name: str) -> str:
    """Pascal case to upper snake case; an extension keeps its mark.

    Examples
    --------
    >>> snake("EndOfBar"), snake("x:ToolGroup")
    ('END_OF_BAR', 'x:TOOL_GROUP')
    """
    _, mark, local = name.rpartition(":")
    return ("x:" if mark else "") + re.sub(r"(?<=[a-z0-9])(?=[A-Z])", "_", local).upper()


def meaning(item: str, sub_type: str = "", component: str = "", type: str | None = None, **more: bool | int) -> Meaning:
    """Make a `Meaning` with the standard's defaults filled in: sub type, and fields in adapter lines."""
    fields = int(more.get("fields", 0)) or FIELDS.get(item, 1)
    sub_type = sub_type or DEFAULT_SUB_TYPES.get(item, "")
    discrete = bool(more.get("discrete", False)) or item in DISCRETE
    return Meaning(item, sub_type, component, type or None, discrete, fields)


def unmapped(name: str) -> Meaning:
    """What a name stands for that neither its source nor a device document explains.

    The standard item, if it is the name of one in any case, with blanks, hyphens or nothing between its words;
    else `x:NAME`.

    Examples
    --------
    >>> unmapped("Part Count").item, unmapped("endOfBar").item, unmapped("Spare 7").item
    ('PART_COUNT', 'END_OF_BAR', 'x:SPARE 7')
    """
    spelt = re.sub(r"[\s_-]+", "_", name.strip())
    standard = (word for word in (spelt.upper(), snake(spelt)) if word in STANDARD)
    return meaning(next(standard, f"x:{name.strip().upper()}"))


def told_by_site(key: Key, known: Meaning | None) -> Meaning:
    """The site file's word on a key; where it is silent on the place, what is known of it otherwise."""
    told = meaning(key.item, key.sub_type, key.component, key.type, discrete=key.discrete)
    if known is None:
        return told
    same = known.item == told.item
    return replace(
        told,
        component=told.component or known.component,
        type=told.type or known.type,
        sub_type=key.sub_type or (known.sub_type if same else told.sub_type),
        discrete=told.discrete or (known.discrete if same else False),
    )


def component_words(components: Iterable[Component]) -> list[str]:
    """Our words for the components of one device, in their order of appearance.

    Examples
    --------
    >>> component_words([Component("Rotary", "C"), Component("Rotary", "S", True), Component("Path", "P1")])
    ['c', 'main', 'path']
    """
    components = list(components)
    counts = {kind: sum(c.type == kind for c in components) for kind in ("Path", "Door")}
    spindles = iter(("main", "sub"))
    words = []
    for component in components:
        own = (component.name or component.type).lower()
        if component.type == "Device":
            words.append("")
        elif component.in_feeder or component.type in FEEDER_COMPONENTS:
            words.append("feeder")
        elif component.type == "Rotary" and component.spindle:
            words.append(next(spindles, own))
        elif component.type == "Controller" or (component.type == "Path" and counts["Path"] == 1):
            words.append("path")
        elif component.type == "Door" and counts["Door"] == 1:
            words.append("door")
        else:
            words.append(own)
    return words


def spell(observations: pl.LazyFrame, source: Source) -> pl.LazyFrame:
    """Bring `text` into its one spelling and fill `number` and `level`.

    Trims, translates by the source's `values`, sets listed values and UNAVAILABLE in upper case. Needs the
    columns `item` and `text`.
    """
    trimmed = observations.with_columns(pl.col("text").str.strip_chars())
    return _spelled(reduce(_translate, source.values.items(), trimmed).collect()).lazy()


def _spelled(told: pl.DataFrame) -> pl.DataFrame:
    items = told["item"].unique()
    text, condition = told["text"], told["item"] == CONDITION
    listed = told["item"].is_in(sorted(LISTED.intersection(items)))
    upper = (listed | text.str.contains(f"(?i)^{UNAVAILABLE}$")).arg_true()
    text = text.scatter(upper, text.gather(upper).str.to_uppercase())
    number = text.cast(pl.Float64, strict=False)
    # A counter may name why it was reset: `0:SHIFT`.
    counters = told["item"].is_in([item for item in items if item.endswith("COUNT")])
    reset = (counters & number.is_null()).arg_true()
    before_reason = text.gather(reset).str.extract(r"^([+-]?[\d.]+):[A-Z_]+$").cast(pl.Float64, strict=False)
    number = number.scatter(reset, before_reason)
    return (
        told.with_columns(text.alias("text"), number.alias("number"), condition.alias("condition"))
        .with_columns(
            pl.when(pl.col("number").is_finite() & ~pl.col("condition")).then("number").alias("number"),
            pl.when("condition").then("text").alias("level"),
        )
        .drop("condition")
    )


def _translate(observations: pl.LazyFrame, told: tuple[str, dict[str, str]]) -> pl.LazyFrame:
    item, words = told
    upper = {raw.strip().upper(): value for raw, value in words.items()}
    translated = pl.col("text").str.to_uppercase().replace_strict(upper, default=pl.col("text"))
    return observations.with_columns(
        pl.when(pl.col("item") == item.upper()).then(translated).otherwise("text").alias("text")
    )
