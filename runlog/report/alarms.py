"""How much alarms ask of people, in the terminal and as plain values for `--json`."""

from collections.abc import Iterator
from typing import Any, Final
from zoneinfo import ZoneInfo

import polars as pl
from rich import box
from rich.console import RenderableType
from rich.table import Table
from rich.text import Text

from runlog.figures.alarm_load import AlarmLoad
from runlog.report.rollups import NOT_MEASURED, Row
from runlog.report.writing import number, plain

_SHOWN: Final = 5


def shown(load: AlarmLoad, zone: str) -> Iterator[RenderableType]:
    """Heading, the most frequent, what leads to what, floods and chattering, machines."""
    if load.first is None or load.last is None:
        yield Text("No alarm came up in this time.")
        return
    first, last = (at.astimezone(ZoneInfo(zone)) for at in (load.first, load.last))
    reach = f"{first:%a} {first.day} {first:%b %Y} to {last:%a} {last.day} {last:%b %Y}, {zone}"
    yield Text(f"Alarms from {reach}", style="bold")
    share = load.frequent["share"].sum()
    yield Text(
        f"{load.alarms} alarms of {load.kinds} kinds; the {load.frequent.height} most frequent are {100 * share:.0f} %."
    )
    yield _frequent(load.frequent)
    yield from _causing(load.leads_to)
    yield from _floods(load.floods, zone)
    yield from _chattering(load.chattering, zone)
    yield _machines(load.machines)


def as_data(load: AlarmLoad, zone: str) -> dict[str, Any]:
    """The same as plain values; instants in ISO 8601 with the site's offset."""
    ends = [at.astimezone(ZoneInfo(zone)).isoformat() if at else None for at in (load.first, load.last)]
    local = pl.selectors.datetime().dt.convert_time_zone(zone).dt.strftime("%Y-%m-%dT%H:%M:%S%.3f%:z")
    tables = ("frequent", "floods", "chattering", "leads_to", "machines")
    told = {name: getattr(load, name).with_columns(local).to_dicts() for name in tables}
    return {"first": ends[0], "last": ends[1], "alarms": load.alarms, "kinds": load.kinds} | told


def _frequent(rows: pl.DataFrame) -> Table:
    made = Table(box=box.SIMPLE_HEAD, padding=(0, 1), pad_edge=False)
    made.add_column("alarm", overflow="fold", min_width=20)
    for name in ("alarms", "share", "machines", "first-\nout", "conse-\nquence", "no\nstop", "chat-\nters"):
        made.add_column(name, justify="right", no_wrap=True)
    for row in rows.iter_rows(named=True):
        counts = [str(row[name]) for name in ("machines", "first_out", "consequence", "no_stop", "chattering")]
        words = _name(row["code"], row["text"]), str(row["alarms"]), f"{100 * row['share']:.0f} %", *counts
        made.add_row(*(Text(plain(word)) for word in words))
    return made


def _causing(rows: pl.DataFrame) -> Iterator[Text]:
    for row in rows.head(_SHOWN).iter_rows(named=True):
        first, then = _name(row["code"], row["text"]), _name(row["then_code"], row["then_text"])
        yield Text(plain(f"After {first} came {then} in {row['stops_with']} of its {row['stops']} stops."))


def _floods(rows: pl.DataFrame, zone: str) -> Iterator[Text]:
    if not rows.height:
        yield Text("No alarm flood.")
    for row in rows.sort("alarms", descending=True).head(_SHOWN).iter_rows(named=True):
        start, end = (row[name].astimezone(ZoneInfo(zone)) for name in ("start", "end"))
        first = _name(row["first_code"], row["first_text"])
        yield Text(
            plain(
                f"FLOOD  {row['machine']} {start:%Y-%m-%d %H:%M} to {end:%H:%M}: {row['alarms']} alarms;"
                f" the first was {first}."
            )
        )
    if rows.height > _SHOWN:
        yield Text(f"{rows.height - _SHOWN} more floods; --json has them.", style="dim")


def _chattering(rows: pl.DataFrame, zone: str) -> Iterator[Text]:
    if not rows.height:
        yield Text("No alarm chatters.")
    told = rows.group_by("machine", "code", "text").agg(
        pl.len().alias("bouts"), pl.col("alarms").sum(), pl.col("start").max()
    )
    for row in told.sort("alarms", "machine", descending=[True, False]).head(_SHOWN).iter_rows(named=True):
        last = row["start"].astimezone(ZoneInfo(zone))
        bouts = "1 bout" if row["bouts"] == 1 else f"{row['bouts']} bouts"
        name = _name(row["code"], row["text"])
        yield Text(
            plain(f"CHATTERS  {row['machine']} {name}: {row['alarms']} times in {bouts}, last {last:%Y-%m-%d %H:%M}.")
        )


def _machines(rows: pl.DataFrame) -> Table:
    made = Table(box=box.SIMPLE_HEAD, padding=(0, 1), pad_edge=False)
    made.add_column("machine", overflow="fold")
    for name in ("alarms", "a day", "most in\nthe time", "floods", "time in\nfloods", "chatters", "stale"):
        made.add_column(name, justify="right", no_wrap=True)
    for row in rows.iter_rows(named=True):
        made.add_row(*(Text(plain(word)) for word in _words(row)))
    return made


def _words(row: Row) -> list[str]:
    return [
        row["machine"],
        str(row["alarms"]),
        NOT_MEASURED if row["a_day"] is None else number(row["a_day"], 1),
        str(row["most"]),
        str(row["floods"]),
        NOT_MEASURED if row["flood_share"] is None else f"{100 * row['flood_share']:.2f} %",
        str(row["chattering"]),
        str(row["stale"]),
    ]


def _name(code: str | None, text: str | None) -> str:
    return " ".join(one for one in (code, text) if one) or "an alarm without code and words"
