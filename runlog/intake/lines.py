"""Adapter lines: `stamp|key|value|key|value`, one line an instant, as a collector records them.

What a key stands for comes from the source's device document and its `keys`. A key neither of them knows is
kept: as the standard item if it has the name of one that takes a single field, else as `x:KEY`. The whole file
is split at once: lines with one pair or one condition go one way, lines with several pairs another, and the odd
ones (quoted fields, torn lines, assets) are looked for only where a file holds their mark at all.
"""

import codecs
import re
from dataclasses import dataclass
from typing import Any, Final

import polars as pl

from runlog.intake.devices import Devices
from runlog.intake.names import MachineNames
from runlog.intake.reading import OBSERVATIONS, REFUSED, CannotFollowError, Offered
from runlog.intake.stamps import read_stamps
from runlog.intake.vocabulary import CONDITION, LEVELS, Meaning, meaning, spell, told_by_site, unmapped
from runlog.site import Key, Site, Source

_LEVEL_FIRST: Final = r"(?i)^\s*(?:normal|warning|fault|unavailable)\s*\|"
_PIPES_OF_A_CONDITION: Final = 4
_ASSET: Final = r"^[^|]*\|\s*@[A-Z_]+@"
_MARKER: Final = r"\|\s*(--multiline--[^|]*)$"
_SECOND_STAMP: Final = r"^(.+?)(\d{4}-\d{2}-\d{2}T\d{2}:\d{2}:\d{2}[^|]*\|.*)$"
_HELD_PIPE: Final = "\ue000"
_QUOTED_PIPE: Final = r'(\|\s*")((?:[^"\\|]|\\.)*?)\\\|((?:[^"\\|]|\\.)*"\s*(?:\||$))'
_MOST_QUOTED_PIPES: Final = 64
_UTF16: Final = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
_OPENED: Final = re.compile(r"\|\s*(--multiline--[^|\s]*)\s*$", re.M)
_INHERITS: Final = re.compile(r"\s*\|")

Frames = tuple[pl.DataFrame, list[pl.DataFrame]]
"""What goes on, and what was refused on the way."""


def read_lines(
    content: bytes, source: Source, site: Site, devices: Devices, dialect: dict[str, Any] | None = None
) -> Offered:
    """Read a recording of adapter lines.

    Parameters
    ----------
    content : bytes
        The whole file, unpacked, or whole lines of it.
    source : Source
        Whose keys, values, machines and time zone hold.
    site : Site
        Names its machines and the zone of stamps without one.
    devices : Devices
        The source's device document; `Devices()` if it has none.
    dialect : dict, optional
        That of the lines before, where these come after others.

    Returns
    -------
    Offered

    Raises
    ------
    CannotFollowError
        With `dialect`: the lines need what was before them.
    """
    text, patched = decode(content)
    if dialect is not None and _INHERITS.match(text):
        raise CannotFollowError("a first line without a stamp")
    lines = _numbered(text)
    rows = lines.height
    lines, torn = _mend(lines, text)
    lines, ignored = _set_aside(lines, text)
    stamped, unstamped, inherited, zoned = _stamp(lines, source.time_zone or site.site.time_zone)
    pairs, broken = _pairs(stamped, _Keys(source, site, devices))
    known, unknown, skipped = _resolve(pairs, source)
    read, unread = _values(known, source, devices)
    notes = [
        (patched, "bytes that are no UTF-8, read as Latin-1"),
        (inherited, "lines without a stamp, given the one before"),
        (
            known["key"].filter(known["item"].str.starts_with("x:") & ~known["told"]).n_unique(),
            "unmapped keys",
        ),
    ]
    return Offered(
        observations=read.select(pl.col(name).cast(dtype) for name, dtype in OBSERVATIONS.items()),
        rejects=pl.concat([*torn, *unstamped, *broken, *unknown, *unread]),
        rows=rows,
        ignored=ignored + skipped,
        note="; ".join(f"{what}: {count}" for count, what in notes if count),
        dialect=None if content.startswith(_UTF16) or _is_in_asset(text) else {},
        zoned=zoned,
    )


def _is_in_asset(text: str) -> bool:
    """Whether an asset of several lines may be open at the end."""
    opened = _OPENED.findall(text)
    return bool(opened) and not re.search(rf"^{re.escape(opened[-1])}\s*$", text[text.rfind(f"|{opened[-1]}") :], re.M)


def decode(content: bytes) -> tuple[str, int]:
    """Text of a file, and how many runs of bytes that are no UTF-8 were taken as Latin-1 instead."""
    patched = 0

    def as_latin1(error: UnicodeError) -> tuple[str, int]:
        nonlocal patched
        if not isinstance(error, UnicodeDecodeError):
            raise error
        patched += 1
        return error.object[error.start : error.end].decode("latin-1"), error.end

    if content.startswith(_UTF16):
        return content.decode("utf-16", errors="replace"), 0
    codecs.register_error("runlog.latin1", as_latin1)
    return content.decode("utf-8", errors="runlog.latin1").removeprefix("\ufeff"), patched


def _numbered(text: str) -> pl.DataFrame:
    lines = pl.Series("raw", [text]).str.split("\n").explode()
    if text.endswith("\n") or not text:
        lines = lines.head(lines.len() - 1)
    if "\r" in text:
        lines = lines.str.strip_chars_end("\r")
    return pl.DataFrame({"line": pl.int_range(1, lines.len() + 1, eager=True), "raw": lines})


def _refused(frame: pl.DataFrame, reason: str | pl.Expr, raw: str = "raw") -> pl.DataFrame:
    cell = pl.col("cell") if "cell" in frame.columns else pl.lit(0)
    told = pl.lit(reason) if isinstance(reason, str) else reason
    chosen = frame.select("line", cell.alias("cell"), pl.col(raw).alias("raw"), told.alias("reason"))
    return chosen.cast(REFUSED)


# --- whole lines -----------------------------------------------------------------------------------


def _mend(lines: pl.DataFrame, text: str) -> Frames:
    """Refuse what a crash left: a last line cut off, NUL bytes with the next line stuck to them."""
    refused = []
    if text and not text.endswith("\n"):
        lines, last = lines.head(-1), lines.tail(1)
        refused.append(_refused(last, "last line cut off: a line feed expected at its end"))
    if "\0" in text:
        holed = pl.col("raw").str.contains("\0", literal=True)
        halves = lines.filter(holed).with_columns(
            pl.col("raw").str.replace_all("\0", "", literal=True).str.extract_groups(_SECOND_STAMP).alias("half")
        )
        first = pl.col("half").struct[0].fill_null(pl.col("raw"))
        refused.append(_refused(halves.with_columns(first.alias("raw")), "NUL bytes found in the line, text expected"))
        whole = halves.with_columns(pl.col("half").struct[1].alias("raw")).select("line", "raw").drop_nulls()
        lines = pl.concat([lines.filter(~holed), whole]).sort("line")
    return lines, refused


def _set_aside(lines: pl.DataFrame, text: str) -> tuple[pl.DataFrame, int]:
    """Take out what holds no observation: blank lines, commands, assets and their bodies."""
    aside = pl.col("raw").str.len_bytes() == 0
    if " " in text or "\t" in text:
        aside |= pl.col("raw").str.contains(r"^\s*$")
    if "*" in text:
        aside |= pl.col("raw").str.contains(r"^\s*\*")
    if "@" in text:
        aside |= pl.col("raw").str.contains(_ASSET)
    if "--multiline--" in text:
        lines = _mark_asset_bodies(lines)
        aside |= pl.col("body")
    found = lines.select(aside).to_series()
    if not found.any():
        return lines, 0
    return lines.filter(~found).select("line", "raw"), int(found.sum())


def _mark_asset_bodies(lines: pl.DataFrame) -> pl.DataFrame:
    opens = pl.col("raw").str.contains(_ASSET) & pl.col("raw").str.contains(_MARKER)
    marker = pl.when(opens).then(pl.col("raw").str.extract(_MARKER).str.strip_chars()).forward_fill()
    closes = (pl.col("raw").str.strip_chars() == marker).fill_null(value=False)
    before = (pl.col("closes").cum_sum() - pl.col("closes").cast(pl.UInt32)).over("asset")
    # An asset that never closes must not swallow the observations after it.
    closed = pl.col("closes").any().over("asset")
    return lines.with_columns(opens.cum_sum().alias("asset"), closes.alias("closes")).with_columns(
        ((pl.col("asset") > 0) & (before == 0) & closed).alias("body")
    )


def _stamp(lines: pl.DataFrame, zone: str) -> tuple[pl.DataFrame, list[pl.DataFrame], int, bool]:
    """Split off stamp and first key, and read the stamp; an empty one takes the one before. Do all carry a zone?"""
    split = lines.with_columns(pl.col("raw").str.splitn("|", 3).alias("split")).unnest("split")
    split = split.rename({"field_0": "stamp", "field_1": "key", "field_2": "rest"})
    split = split.hstack(read_stamps(split["stamp"], zone))
    inherits = (pl.col("stamp").str.strip_chars() == "") & pl.col("key").is_not_null()
    inherited = 0
    if split["problem"].count():
        last = pl.col("stamped").forward_fill()
        inherited = split.select((inherits & last.is_not_null()).sum()).item()
        split = split.with_columns(
            pl.when(inherits).then(last).otherwise("stamped").alias("stamped"),
            pl.when(inherits)
            .then(pl.when(last.is_null()).then(pl.lit("no time found, and none before it")))
            .otherwise("problem")
            .alias("problem"),
        )
    shapeless = "no key and value found, expected `stamp|key|value`"
    problem = pl.when(pl.col("rest").is_null()).then(pl.lit(shapeless)).otherwise("problem")
    split = split.with_columns(problem.alias("problem"))
    bad = split.filter(pl.col("problem").is_not_null())
    good = split.filter(pl.col("problem").is_null()) if bad.height else split
    kept = good.select("line", "raw", "stamped", "key", "rest")
    return kept, [_refused(bad, pl.col("problem"))], inherited, bool(good["zoned"].all())


# --- pairs -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class _Keys:
    source: Source
    site: Site
    devices: Devices

    def table(self, keys: pl.Series) -> pl.DataFrame:
        """What each of these distinct keys stands for, one row a key."""
        names = MachineNames(self.source, self.site)
        told = {name.lower(): key for name, key in self.source.keys.items()}
        rows = []
        for key in keys.to_list():
            device, name = self._routed(key, told)
            machine = names.machine(device)
            known = self.devices.of(*names.known_as(machine, device)).get(name.lower())
            key_of_site = told.get(name.lower()) or told.get(key.lower())
            found = told_by_site(key_of_site, known) if key_of_site else known
            rows.append((key, name, machine, found is not None, *_columns(found or _by_name(name))))
        return pl.DataFrame(rows, schema=_KEY_TABLE, orient="row")

    def _routed(self, key: str, told: dict[str, Key]) -> tuple[str, str]:
        if ":" not in key or key.lower() in told or key.lower() in self.devices.of():
            return "", key
        device, _, name = key.partition(":")
        return (device, name) if name else ("", key)


_KEY_TABLE: Final = pl.Schema(
    {
        "key": pl.String(),
        "data_item": pl.String(),
        "machine": pl.String(),
        "told": pl.Boolean(),
        "item": pl.String(),
        "sub_type": pl.String(),
        "component": pl.String(),
        "type": pl.String(),
        "discrete": pl.Boolean(),
        "fields": pl.Int32(),
    }
)


def _by_name(name: str) -> Meaning:
    # How many fields an unexplained key takes is told by its looks, so its name must not promise several.
    found = unmapped(name)
    return found if found.fields == 1 else meaning(f"x:{name.upper()}")


def _columns(found: Meaning) -> tuple[str, str, str, str | None, bool, int]:
    return found.item, found.sub_type, found.component, found.type, found.discrete, found.fields


def _pairs(lines: pl.DataFrame, keys: _Keys) -> Frames:
    """One row a pair: line, cell, stamped, key, value, condition (by its looks) and what the key stands for."""
    quoted = lines["rest"].str.contains('"', literal=True)
    if quoted.any():
        lines = _hold_quoted_pipes(lines, quoted)
    lines = lines.with_columns(pl.col("key").str.strip_chars())
    table = keys.table(lines["key"].unique())
    piped = pl.col("rest").str.contains("|", literal=True)
    looks = _looks_like_condition(pl.col("rest"))
    lines = lines.join(table.select("key", "told", "fields"), on="key", how="left", maintain_order="left").with_columns(
        pl.when(pl.col("told")).then(pl.col("fields") > 1).otherwise(piped & looks).alias("whole"),
        piped.alias("piped"),
    )
    single = pl.col("whole") | ~pl.col("piped")
    one = lines.filter(single).select(
        "line", pl.lit(0, pl.Int32).alias("cell"), "stamped", "key", pl.col("rest").alias("value"), "whole"
    )
    many, refused = _several(lines.filter(~single), keys)
    pairs = pl.concat([one, many])
    if many.height:
        pairs = pairs.sort("line", "cell")
        table = keys.table(pairs["key"].unique())
    if quoted.any():
        pairs = pairs.with_columns(_unquoted(pl.col("value")))
    return pairs.join(table, on="key", how="left", maintain_order="left"), refused


def _looks_like_condition(rest: pl.Expr) -> pl.Expr:
    return rest.str.contains(_LEVEL_FIRST) & (rest.str.count_matches("|", literal=True) >= _PIPES_OF_A_CONDITION)


def _several(lines: pl.DataFrame, keys: _Keys) -> Frames:
    """Split lines with several pairs; an item of several fields takes the rest of its line."""
    fields = lines.select(
        "line", "raw", "stamped", pl.concat_str("key", "rest", separator="|").str.split("|").alias("field")
    )
    each = fields.with_columns(
        pl.int_ranges(0, pl.col("field").list.len(), dtype=pl.Int32).alias("place"),
        pl.col("field").list.len().alias("of"),
    ).explode("field", "place")
    each = each.with_columns(pl.col("field").shift(-1).alias("value")).filter(pl.col("place") % 2 == 0)
    each = each.with_columns(pl.col("field").str.strip_chars().alias("key"))
    told = keys.table(each["key"].unique()).select("key", "told", "fields")
    left = pl.col("of").cast(pl.Int32) - pl.col("place") - 1
    looks = (pl.col("value") + "|").str.contains(_LEVEL_FIRST) & (left > _PIPES_OF_A_CONDITION)
    each = each.join(told, on="key", how="left", maintain_order="left").with_columns(
        (pl.when(pl.col("told")).then(pl.col("fields") > 1).otherwise(looks) & (left > 0)).alias("whole"),
        left.alias("left"),
    )
    if each["whole"].any():
        each = _give_rest(each, fields)
    # The last pipe of a line that ends in one leaves an empty field: not a key without a value.
    each = each.filter((pl.col("left") > 0) | (pl.col("key") != ""))
    bad = (pl.col("left") == 0) | (pl.col("key") == "")
    reason = pl.when(pl.col("left") == 0).then(pl.lit("key without a value")).otherwise(pl.lit("value without a key"))
    refused = each.filter(bad).with_columns((pl.col("place") // 2).alias("cell"))
    good = each.filter(~bad).select("line", (pl.col("place") // 2).alias("cell"), "stamped", "key", "value", "whole")
    return good, [_refused(refused, reason)]


def _give_rest(each: pl.DataFrame, fields: pl.DataFrame) -> pl.DataFrame:
    first = pl.when("whole").then("place").min().over("line")
    each = each.filter(first.is_null() | (pl.col("place") <= first))
    takers = each.filter("whole").select("line", "place").join(fields.select("line", "field"), on="line", how="left")
    rest = takers.select("line", pl.col("field").list.slice(pl.col("place") + 1).list.join("|").alias("rest"))
    each = each.join(rest, on="line", how="left", maintain_order="left")
    return each.with_columns(pl.when("whole").then("rest").otherwise("value").alias("value")).drop("rest")


def _hold_quoted_pipes(lines: pl.DataFrame, quoted: pl.Series) -> pl.DataFrame:
    odd = lines.filter(quoted).select(pl.lit("|") + pl.col("rest")).to_series()
    for _ in range(_MOST_QUOTED_PIPES):
        held = odd.str.replace_all(_QUOTED_PIPE, f"${{1}}${{2}}{_HELD_PIPE}${{3}}")
        if held.equals(odd):
            break
        odd = held
    rest = lines["rest"].scatter(quoted.arg_true(), odd.str.slice(1))
    return lines.with_columns(rest.alias("rest"))


def _unquoted(value: pl.Expr) -> pl.Expr:
    trimmed = value.str.strip_chars()
    inner = trimmed.str.extract(r'^"(.*)"$').str.replace_all(r"\\(.)", "${1}")
    return pl.coalesce(inner, value).str.replace_all(_HELD_PIPE, "|", literal=True).alias(value.meta.output_name())


# --- what they say -----------------------------------------------------------------------------------


def _resolve(pairs: pl.DataFrame, source: Source) -> tuple[pl.DataFrame, list[pl.DataFrame], int]:
    """Leave out keys the source ignores, refuse those of no known machine."""
    skipped = 0
    if source.ignore:
        ignore = [key.lower() for key in source.ignore]
        names = pl.col("key").str.to_lowercase().is_in(ignore) | pl.col("data_item").str.to_lowercase().is_in(ignore)
        kept = pairs.filter(~names)
        skipped = pairs.height - kept.height
        pairs = kept
    if not pairs["machine"].null_count():
        return pairs, [], skipped
    lost = pairs.filter(pl.col("machine").is_null()).with_columns(pl.format("{}|{}", "key", "value").alias("raw"))
    reason = (
        f"no machine known for this key; expected `machine`, or its device in `machines`, of source {source.name!r}"
    )
    return pairs.filter(pl.col("machine").is_not_null()), [_refused(lost, reason)], skipped


def _values(pairs: pl.DataFrame, source: Source, devices: Devices) -> Frames:
    """Read the values of pairs, each kind of item in its own way."""
    whole = pairs["whole"].arg_true()
    read = pairs.with_columns(pl.col("value").alias("text"), *_NOTHING_MORE)
    if whole.len():
        fields = _of_several_fields(pairs[whole], devices)
        read = read.with_columns(read[name].scatter(whole, fields[name]) for name in fields.columns)
    read = spell(read.lazy(), source).collect()
    wrong = pl.col("level").is_not_null() & ~pl.col("level").is_in(LEVELS)
    refused = read.filter(wrong).with_columns(pl.format("{}|{}", "key", "value").alias("raw"))
    if not refused.height:
        return read, []
    reason = pl.format("{} found, one of {} expected", "level", pl.lit(", ".join(LEVELS)))
    return read.filter(~wrong), [_refused(refused, reason)]


_NOTHING_MORE: Final = [pl.lit(None, pl.String).alias(name) for name in ("code", "message", "condition_id")]


def _of_several_fields(pairs: pl.DataFrame, devices: Devices) -> pl.DataFrame:
    """Item, text, code, message and condition_id of conditions, messages, assets and time series."""
    condition = (pl.col("item") == CONDITION) | ~pl.col("told")
    message = (pl.col("item") == "MESSAGE") & pl.col("value").str.contains("|", literal=True)
    asset = pl.col("item").str.starts_with("ASSET_") & pl.col("value").str.contains("|", literal=True)
    field = [pl.col("value").str.splitn("|", 5).struct[place].str.strip_chars() for place in range(5)]
    after_first = pl.col("value").str.splitn("|", 2).struct[1]
    code, activation = field[1], pl.lit(None, pl.String)
    if devices.activation_in_code:
        code, activation = field[1].str.extract(r"^([^:]*)"), field[1].str.extract(r"^[^:]*:(.*)$")
    return pairs.select(
        pl.when(condition).then(pl.lit(CONDITION)).otherwise("item").alias("item"),
        pl.when(condition).then(field[0]).when(message | asset).then(after_first).otherwise("value").alias("text"),
        pl.when(condition).then(_filled(code)).when(message).then(_filled(field[0])).alias("code"),
        pl.when(condition).then(_filled(field[4])).when(message).then(_filled(after_first)).alias("message"),
        pl.when(condition).then(pl.coalesce(_filled(activation), _filled(code), pl.lit(""))).alias("condition_id"),
    )


def _filled(text: pl.Expr) -> pl.Expr:
    return pl.when(text != "").then(text)
