"""MTConnectStreams documents: what an agent answered, one or several documents a file, in XML or JSON.

Read in one pass, names by their local part. Entities are never followed: a document with a document type
declaration is refused. Of a document that breaks off or is damaged, what is complete before that is kept and the
rest is one reject. What an agent's buffer lost, and where it began anew, is in the file's note. Observations are
put in the order of their sequence within one instance of the agent, and `line` is the sequence, so that a row can
be found in its document.
"""

import re
from dataclasses import replace
from typing import Any, Final

import polars as pl

from runlog.intake.agent_json import walk_json
from runlog.intake.detect import is_json
from runlog.intake.devices import Devices
from runlog.intake.documents import CONTENT, Documents, remember, spans
from runlog.intake.names import MachineNames
from runlog.intake.reading import OBSERVATIONS, REFUSED, Offered
from runlog.intake.stamps import read_stamps
from runlog.intake.vocabulary import (
    CONDITION,
    LEVELS,
    SPINDLE_ITEMS,
    Component,
    Meaning,
    component_words,
    meaning,
    snake,
    spell,
    told_by_site,
)
from runlog.intake.walk import Kind, Walk, walk
from runlog.site import Key, Site, Source

_SUFFIX: Final = re.compile(r"(?<=[a-z0-9])(TimeSeries|Discrete|DataSet|Table)$")
_LOOKED_UP: Final = pl.Schema(
    {
        "machine": pl.String(),
        "data_item": pl.String(),
        "item": pl.String(),
        "sub_type": pl.String(),
        "component": pl.String(),
        "type": pl.String(),
        "discrete": pl.Boolean(),
        "tag": pl.String(),
        "skip": pl.Boolean(),
    }
)


def read_streams(
    content: bytes, source: Source, site: Site, devices: Devices, dialect: dict[str, Any] | None = None
) -> Offered:
    """Read a file of MTConnectStreams documents.

    Parameters
    ----------
    content : bytes
        The whole file, unpacked, or whole documents of it.
    source : Source
        Whose keys, values, machines and time zone hold.
    site : Site
        Names its machines and the zone of stamps without one.
    devices : Devices
        The source's device document; `Devices()` if it has none, components are then guessed.
    dialect : dict, optional
        That of the documents before, where these come after others.

    Returns
    -------
    Offered
        Its observations carry `instance`.

    Raises
    ------
    CannotFollowError
        With `dialect`: the documents must be read together with those before.
    """
    before = Documents(**dialect) if dialect else None
    found = walk(content, before.onward()) if before else walked(content)
    words = _guessed_components(found)
    if before:
        before.check(found, words)
    ordered = _in_sequence(_observed(found, words, source, site, devices))
    if before:
        ordered = before.told_again(ordered)
    notes, is_whole = gaps(found, before)
    observed = ordered
    ignored = observed.filter("skip").height
    observed = observed.filter(~pl.col("skip"))
    copied = observed.filter("copied").height
    observed = observed.filter(~pl.col("copied"))
    observed = observed.hstack(read_stamps(observed["timestamp"], source.time_zone or site.site.time_zone))
    zoned = bool(observed["zoned"].all())
    read = spell(_said(observed.lazy()), source).collect()
    problem = _problem(source)
    refused = read.filter(problem.is_not_null()).select(
        "line",
        pl.lit(0).alias("cell"),
        pl.format(
            "<{} dataItemId='{}' timestamp='{}'>{}",
            "tag",
            "data_item",
            pl.col("timestamp").fill_null(""),
            "said",
        ).alias("raw"),
        problem.alias("reason"),
    )
    broken = pl.DataFrame(found.rejects, schema=REFUSED, orient="row")
    columns = [pl.col(name).cast(dtype) for name, dtype in OBSERVATIONS.items()]
    return Offered(
        observations=read.filter(problem.is_null()).select(*columns, "instance"),
        rejects=pl.concat([broken, refused.cast(REFUSED)]),
        rows=found.elements - (before.elements if before else 0),
        ignored=ignored + copied,
        note="; ".join([*(note for note in found.notes if not (before and note in before.notes)), *notes]),
        dialect=remember(found, ordered, words, is_whole=is_whole, before=before),
        zoned=zoned,
    )


def walked(content: bytes) -> Walk:
    """Everything observed in a file, whichever way it is written."""
    return walk_json(content) if is_json(content) else walk(content)


def gaps(found: Walk, earlier: Documents | None = None) -> tuple[list[str], bool]:
    """What was lost between the documents of a file, in words.

    An agent's buffer that has moved on past what was asked for next lost something for sure. Where the documents leave
    out no number of their own, numbers left out between them are a document that is missing. Also whether the last
    document leaves out none.
    """
    lost: list[str] = []
    before = (earlier.last_header(), earlier.is_whole) if earlier else None
    for header, end in spans(found):
        numbers = [int(word) for word in found.sequence[header.place : end] if word and word.isdecimal()]
        whole = bool(numbers) and max(numbers) - min(numbers) + 1 == len(numbers)
        if before and before[0].instance != header.instance:
            lost.append(
                f"instanceId {before[0].instance or 'none'} became {header.instance or 'none'}: the agent began anew,"
                " and what was between is not known"
            )
        elif before and before[0].next.isdecimal():
            due = int(before[0].next)
            kept_from = int(header.first) if header.first.isdecimal() else 0
            begins = min(numbers) if whole and before[1] else 0
            if max(kept_from, begins) > due:
                lost.append(f"sequences {due} to {max(kept_from, begins) - 1} are missing")
        before = (header, whole)
    return lost, bool(before and before[1])


def _observed(walked: Walk, words: list[str], source: Source, site: Site, devices: Devices) -> pl.DataFrame:
    kinds = _looked_up(walked, words, source, site, devices)
    frame = pl.DataFrame(
        {
            "kind": pl.Series(walked.kind, dtype=pl.UInt32),
            "sequence": pl.Series(walked.sequence, dtype=pl.String).cast(pl.Int64, strict=False),
            "timestamp": pl.Series(walked.timestamp, dtype=pl.String).fill_null(""),
            "said": pl.Series(walked.said, dtype=pl.String),
        }
    ).with_columns(
        _at_places(len(walked.said), "native_code", walked.codes),
        _at_places(len(walked.said), "activation", walked.activations),
        _at_places(len(walked.said), "instance", {h.place: h.instance for h in walked.headers})
        .forward_fill()
        .fill_null(""),
    )
    return frame.with_row_index("element", 1).join(
        kinds.with_row_index("kind"), on="kind", how="left", maintain_order="left"
    )


def _at_places(count: int, name: str, words: dict[int, str]) -> pl.Series:
    column = pl.repeat(None, count, dtype=pl.String, eager=True).alias(name)
    places = [place for place in words if place < count]
    return column.scatter(places, [words[place] for place in places]) if places else column


def _in_sequence(observed: pl.DataFrame) -> pl.DataFrame:
    """Order by sequence within an instance; without sequences the document's own order holds."""
    element = pl.col("element").cast(pl.Int64)
    whole = pl.col("sequence").is_not_null().all().over("instance")
    first = pl.col("element").min().over("instance")
    ordered = observed.with_columns(
        pl.when(whole).then("sequence").otherwise(element).alias("line"),
        pl.lit(0).alias("cell"),
        first.alias("first"),
    ).sort("first", "line", "element")
    again = ((pl.col("instance") == pl.col("instance").shift()) & (pl.col("line") == pl.col("line").shift())).fill_null(
        value=False
    )
    same = pl.all_horizontal(pl.col(name).eq_missing(pl.col(name).shift()) for name in CONTENT)
    return ordered.with_columns((again & same).alias("copied"), (again & ~same).alias("clashes"))


def _said(observed: pl.LazyFrame) -> pl.LazyFrame:
    condition = pl.col("item") == CONDITION
    message = pl.col("item") == "MESSAGE"
    words, code = pl.col("said").str.strip_chars(), pl.col("native_code").str.strip_chars()
    code = pl.when((condition | message) & (code != "")).then(code)
    activation = pl.when(pl.col("activation") != "").then("activation")
    return observed.with_columns(
        pl.when(condition).then("level_word").otherwise("said").alias("text"),
        code.alias("code"),
        pl.when((condition | message) & (words != "")).then(words).alias("message"),
        pl.when(condition).then(pl.coalesce(activation, code, pl.lit(""))).alias("condition_id"),
    )


def _problem(source: Source) -> pl.Expr:
    levels = ", ".join(LEVELS)
    lost = (
        f"no machine known for this device; expected `machine`, or the device in `machines`, of source {source.name!r}"
    )
    return (
        pl.when(pl.col("clashes"))
        .then(pl.lit("sequence found a second time with other content, expected once in an instance"))
        .when(pl.col("machine").is_null())
        .then(pl.lit(lost))
        .when(pl.col("problem").is_not_null())
        .then("problem")
        .when(pl.col("level").is_not_null() & ~pl.col("level").is_in(LEVELS))
        .then(pl.format("{} found, one of {} expected", "level", pl.lit(levels)))
    )


# --- what each kind of observation stands for ----------------------------------------------------------


def _looked_up(walked: Walk, words: list[str], source: Source, site: Site, devices: Devices) -> pl.DataFrame:
    """One row a kind, in the order of `Walk.kinds`."""
    names = MachineNames(source, site)
    told = {name.lower(): key for name, key in source.keys.items()}
    ignore = {name.lower() for name in source.ignore}
    parts = list(walked.parts)
    # One `machine` cannot be all the devices of a file: then each must be told apart.
    several = len({(part.device, part.uuid) for part in parts if not part.agent}) > 1
    rows = []
    for kind in walked.kinds_named():
        part = parts[kind.part]
        machine = (names.told if several else names.machine)(part.device, part.uuid)
        known = devices.of(*names.known_as(machine, part.device, part.uuid)) if devices.keys else {}
        found = _meaning(kind, words[kind.part], known, told)
        skip = part.agent or kind.id.lower() in ignore or kind.name.lower() in ignore
        data_item = kind.id or kind.name or found.item
        rows.append(
            (
                machine,
                data_item,
                found.item,
                found.sub_type,
                found.component,
                found.type,
                found.discrete,
                kind.tag,
                skip,
            )
        )
    level = pl.when(pl.col("item") == CONDITION).then(pl.col("tag").str.split(":").list.last())
    return pl.DataFrame(rows, schema=_LOOKED_UP, orient="row").with_columns(level.alias("level_word"))


def _meaning(kind: Kind, component: str, known: dict[str, Meaning], told: dict[str, Key]) -> Meaning:
    item = _item(kind)
    probe = known.get(kind.id.lower()) or known.get(kind.name.lower())
    discrete = kind.tag.endswith("Discrete")
    found = meaning(
        item,
        kind.sub_type or (probe.sub_type if probe and probe.item == item else ""),
        probe.component if probe else component,
        kind.type,
        discrete=discrete or bool(probe and probe.discrete),
    )
    if kind.statistic:
        # An average is not the value at an instant: what asks for ACTUAL must not find it.
        found = replace(found, sub_type=f"{found.sub_type} {kind.statistic}".strip())
    key = told.get(kind.id.lower()) or told.get(kind.name.lower())
    return told_by_site(key, found) if key else found


def _item(kind: Kind) -> str:
    return CONDITION if kind.condition else snake(_SUFFIX.sub("", kind.tag))


def _guessed_components(walked: Walk) -> list[str]:
    """Words for the components as a device document would give them, from what was observed of them."""
    spoken = (kind for kind in walked.kinds_named() if not kind.condition)
    walked.turning |= {kind.part for kind in spoken if _item(kind) in SPINDLE_ITEMS}
    of_device: dict[tuple[str, str], dict[tuple[str, str, str], Component]] = {}
    for index, part in enumerate(walked.parts):
        seen = of_device.setdefault((part.device, part.uuid), {})
        before = seen.get(part.identity)
        spindle = index in walked.turning or bool(before and before.spindle)
        seen[part.identity] = Component(part.type, part.name, spindle)
    words = {
        (device, identity): word
        for device, seen in of_device.items()
        for identity, word in zip(seen, component_words(seen.values()), strict=True)
    }
    return [words[(part.device, part.uuid), part.identity] for part in walked.parts]
