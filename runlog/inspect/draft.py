"""A first `[[source]]` for a file nobody described: what it is, whose it is, what its names stand for."""

import re
import time
from codecs import BOM_UTF8, BOM_UTF16_BE, BOM_UTF16_LE
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, Final
from zoneinfo import available_timezones

import polars as pl

from runlog.inspect.block import name_from, pattern_for
from runlog.inspect.csv_shape import CsvShape, csv_shape
from runlog.inspect.guess import guess_key, is_unknown, standard_value
from runlog.inspect.times import carries_zone, form_of
from runlog.inspect.words import VALUES
from runlog.intake import read_bytes
from runlog.intake.csv_records import decoded
from runlog.intake.detect import ADAPTER_LINES, CSV, is_json, looks_like
from runlog.intake.streams import walked
from runlog.intake.vocabulary import CONDITION, STANDARD, unmapped
from runlog.site import Key, Site, parse_site

_DEVICE: Final = r"(?m)^[^|\n]*\|\s*([A-Za-z][\w .-]*):[^|\n]+\|"
_MOST_KEYS: Final = 400
_MOST_NEW: Final = 100
_LOOKED_AT: Final = 2_000
_NEUTRAL: Final = (
    '[site]\nname = "x"\ntime_zone = "UTC"\n[[machine]]\nname = "x"\n[[source]]\nname = "x"\nfiles = ["*"]\n'
)


@dataclass(frozen=True)
class Draft:
    """What `inspect` found out before it read the file for good."""

    source: dict[str, Any]
    new_machines: list[str]
    encoding: str
    format: str
    shape: dict[str, str]
    times: str
    zone: str
    zone_words: str
    questions: list[str]


@dataclass
class _Found:
    """What a format gives for its part of a draft."""

    shape: dict[str, str]
    stamps: pl.Series
    devices: list[str]
    signals: dict[str, list[str]]
    told: dict[str, Any]
    keys: dict[str, Key]
    day_first: bool | None = None


def draft(content: bytes, path: Path, name: str, site: Site | None, zone: str) -> Draft:
    """Make a draft.

    Parameters
    ----------
    content : bytes
        The file, unpacked; of an archive, one of its files.
    path : Path
        The file as it lies there.
    name : str
        Its name, of an archive the name of the file in it.
    site : Site, optional
        Whose machines there are.
    zone : str
        Zone of stamps without one; empty to guess it.

    Returns
    -------
    Draft

    Raises
    ------
    ReadingError
        The file looks like none of the formats.
    """
    format = looks_like(content) or CSV
    machines = [machine.name for machine in site.machines] if site else []
    if format == CSV:
        found = _csv(csv_shape(content, machines))
    else:
        found = _lines(content) if format == ADAPTER_LINES else _documents(content)
    whose, new = _whose(found.devices, machines, Path(name) if name != path.name else path)
    zoned = carries_zone(found.stamps)
    used, words = _zone(site, zone, zoned)
    values, unknown = _values(found)
    source: dict[str, Any] = {
        "name": _source_name(path, site),
        "files": list(dict.fromkeys([pattern_for(path), pattern_for(Path(Path(name).name))])),
        "format": format,
        **whose,
        **({} if zoned else {"time_zone": used}),
        **found.told,
        "keys": {name: key.model_dump() for name, key in list(found.keys.items())[:_MOST_KEYS]},
        "values": values,
    }
    return Draft(
        source=source,
        new_machines=new[:_MOST_NEW],
        encoding=encoding_of(content),
        format=format,
        shape=found.shape,
        times=form_of(found.stamps, day_first=found.day_first),
        zone=used,
        zone_words=words,
        questions=[*_questions(found, new), *unknown],
    )


def encoding_of(content: bytes) -> str:
    """The encoding of a text file, by its mark or by what can be read."""
    marks = {BOM_UTF8: "UTF-8 with a mark", BOM_UTF16_LE: "UTF-16", BOM_UTF16_BE: "UTF-16"}
    if marked := next((words for mark, words in marks.items() if content.startswith(mark)), None):
        return marked
    if content.isascii() and b"\0" not in content[:_LOOKED_AT]:
        return "ASCII"
    try:
        content.decode("utf-8")
    except UnicodeDecodeError:
        return (
            "UTF-16 without a mark"
            if "\0" not in decoded(content[:_LOOKED_AT]) and b"\0" in content
            else "Windows-1252"
        )
    return "UTF-16 without a mark" if b"\0" in content[:_LOOKED_AT] else "UTF-8"


# --- formats -----------------------------------------------------------------------------------------


def _csv(shape: CsvShape) -> _Found:
    csv = shape.csv
    marks = {"\t": "a tab", ",": "a comma", ";": "a semicolon", "|": "a pipe"}
    above = shape.read.preamble
    words = {
        "fields parted by": marks[csv["delimiter"]],
        "header": f"line {above + 1}" if shape.headed else "none",
        "columns": ", ".join(shape.read.header) if shape.headed else f"{len(shape.read.header)} without names",
        "layout": "a signal a row" if "signal" in csv else "a signal a column",
    }
    keys = _keys({name: guess_key(name, values) for name, values in shape.signals.items()})
    return _Found(words, shape.stamps, shape.machines, shape.signals, {"csv": csv}, keys, shape.day_first)


def _lines(content: bytes) -> _Found:
    text = decoded(content)
    events = _neutral(content, ADAPTER_LINES)
    signals = _signals(events)
    conditions = set(events.filter(item=CONDITION)["data_item"])
    guesses = {
        name: _alarm_key(name) if name in conditions else guess_key(name, values) for name, values in signals.items()
    }
    # One field or five: a key that never had the form of a condition must not be read as one.
    keys = _keys(
        {name: key for name, key in guesses.items() if key and (key.item == CONDITION) == (name in conditions)}
    )
    devices = sorted(set(re.findall(_DEVICE, text[: 4 * 1024 * 1024])))
    stamps = pl.Series([line.partition("|")[0].strip() for line in text.splitlines()[:_LOOKED_AT]], dtype=pl.String)
    stamps = stamps.filter((stamps != "") & ~stamps.str.starts_with("*"))
    return _Found({"keys": str(len(signals))}, stamps, devices, signals, {}, keys)


def _documents(content: bytes) -> _Found:
    walk = walked(content)
    named = ((part.device or part.uuid).strip() for part in walk.parts if not part.agent)
    devices = list(dict.fromkeys(name for name in named if name))
    stamps = pl.Series([stamp for stamp in walk.timestamp[:_LOOKED_AT] if stamp], dtype=pl.String)
    instances = len({header.instance for header in walk.headers})
    shape = {
        "written as": "JSON" if is_json(content) else "XML",
        "documents": str(len(walk.headers)),
        "instances of the agent": str(instances),
        "devices": ", ".join(devices) or "none",
    }
    return _Found(shape, stamps, devices, {}, {}, {})


def _neutral(content: bytes, format: str) -> pl.DataFrame:
    """Events of a file when nothing is known of it."""
    site = parse_site(_NEUTRAL + f'format = "{format}"\nmachine = "x"\n')
    return read_bytes(content, "x", site.source[0], site, datetime.now(UTC), base=Path()).events


def _signals(events: pl.DataFrame) -> dict[str, list[str]]:
    told = events.group_by("data_item", maintain_order=True).agg(pl.col("text").unique(maintain_order=True).head(200))
    return dict(told.iter_rows())


def _alarm_key(name: str) -> Key:
    guess = guess_key(name)
    component = "feeder" if guess and guess.component == "feeder" else "path"
    type = guess.type if guess and guess.item == CONDITION else "SYSTEM"
    return Key(item=CONDITION, component=component, type=type)


# --- names and values --------------------------------------------------------------------------------


def _keys(guesses: dict[str, Key | None]) -> dict[str, Key]:
    """Guesses that do not contradict each other: but for alarms, one signal for each thing that is told."""
    kept: dict[str, Key] = {}
    taken: set[tuple[str, ...]] = set()
    for name, key in guesses.items():
        place = (key.item, key.sub_type, key.component) if key else ()
        if key and name.strip() and (place not in taken or key.item == CONDITION):
            kept[name] = key
            taken.add(place)
        elif key and unmapped(name).item in STANDARD:
            # Without a word here, its own name would make it what another signal is already.
            kept[name] = Key(item=f"x:{re.sub(r'[^A-Z0-9_]', '_', name.upper())}")
    lower: set[str] = set()
    return {name: key for name, key in kept.items() if not (name.lower() in lower or lower.add(name.lower()))}


def _values(found: _Found) -> tuple[dict[str, dict[str, str]], list[str]]:
    """By item, words of the file to the standard's; and which words nobody understands."""
    values: dict[str, dict[str, str]] = {}
    questions = []
    for name, key in found.keys.items():
        if key.item not in VALUES:
            continue
        unknown = []
        for value in found.signals.get(name, []):
            standard = standard_value(key.item, value)
            if standard is None:
                unknown.append(value)
            elif standard != value.strip().upper() or (is_unknown(value) and standard != value.strip().upper()):
                values.setdefault(key.item, {})[value.strip()] = standard
        if unknown and key.item != CONDITION:
            questions.append(f"{name}: {', '.join(map(repr, unknown[:10]))} not understood; add to values.{key.item}")
    return values, questions


def _questions(found: _Found, new: list[str]) -> list[str]:
    questions = []
    if found.day_first is not None and form_of(found.stamps, day_first=None).startswith("day or month"):
        questions.append(f"dates are read {'day' if found.day_first else 'month'} first; is that right?")
    left = [name for name in found.signals if name not in found.keys and unmapped(name).item not in STANDARD]
    if left:
        shown = ", ".join(left[:12]) + (", ..." if len(left) > 12 else "")
        questions.append(f"nothing known for {shown}: kept, and used for nothing until `keys` says what they are")
    if new:
        questions.append(f"machine {', '.join(new[:8])}: not in the site file, [[machine]] below")
    return questions


# --- whose, where, when ------------------------------------------------------------------------------


def _whose(devices: list[str], known: list[str], path: Path) -> tuple[dict[str, Any], list[str]]:
    """`machine` or `machines` of a source, and which of them the site does not know yet."""
    of_site = {name.lower(): name for name in known}
    if len(devices) > 1:
        machines = {device: of_site.get(device.lower(), device) for device in devices}
        new = [machine for machine in machines.values() if machine.lower() not in of_site]
        return {"machines": machines}, list(dict.fromkeys(new))
    named = of_site.get(devices[0].lower()) if devices else None
    in_name = [name for name in known if name.lower() in path.name.lower()]
    machine = named or max(in_name, key=len, default="") or (devices[0] if devices else name_from(path))
    return {"machine": machine}, [] if machine in known else [machine]


def _source_name(path: Path, site: Site | None) -> str:
    taken = {source.name for source in site.source} if site else set()
    name = f"{name_from(path)} log"
    numbers = (f"{name} {number}" for number in range(2, len(taken) + 3))
    return name if name not in taken else next(other for other in numbers if other not in taken)


def _zone(site: Site | None, told: str, zoned: bool) -> tuple[str, str]:
    zone = told or (site.site.time_zone if site else _zone_here())
    if zoned:
        return zone, "the stamps carry their own"
    why = "as you said" if told else "the site's" if site else "this computer's, as there is no site file"
    return zone, f"{zone} ({why}); the stamps carry none. Hold the span of time below against a clock at the machine"


def _zone_here() -> str:
    try:
        place = Path("/etc/localtime").resolve().as_posix().partition("zoneinfo/")[2]
    except OSError:
        place = ""
    return next((zone for zone in (place, *time.tzname) if zone in available_timezones()), "UTC")
