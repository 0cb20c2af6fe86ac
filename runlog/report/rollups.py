"""Roll-ups as tables in the terminal, and as plain values for `--json`: shifts, losses, remnants, changeovers.

Every table is a list of columns (title, how a row shows there); nothing is worked out here. A dash is what was not
measured.
"""

from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

import polars as pl
from rich import box
from rich.console import Console, ConsoleOptions, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from runlog.figures.period import Period
from runlog.report.writing import duration, number, plain

Row = dict[str, Any]
Shows = Callable[[Row], str]
Column = tuple[str, Shows]

NOT_MEASURED: Final = "-"
LEGEND: Final = "A dash is what was not measured, or had no plan."
_NO_PAIR: Final = f"{NOT_MEASURED}/{NOT_MEASURED}"
_NARROWEST: Final = 14
"""Characters that a column of long texts keeps on a narrow terminal."""
_WRAPPED: Final = ("job", "material", "loss", "what changed", "why")
_TEXTS: Final = (
    "plant", "cell", "machine", "job", "shift", "day", "week", "month", "material", "diameter", "lot", "loss",
    "what changed", "why", "finished", "what", "began", "on the feeder,\nas far as known",
)  # fmt: skip


def heading(period: Period) -> str:
    """Which days, how far the log reaches, and whether they are over."""
    days = f"{_day(period.first)} to {_day(period.last)}" if period.first != period.last else _day(period.first)
    named = f"Week {period.week}, {days}" if period.week else days
    read = period.log_end.astimezone(ZoneInfo(period.zone))
    state = "" if period.whole else "; the log does not reach through all of it"
    return f"{named}, {period.zone}; log read to {read:%a} {read.day} {read:%b %Y %H:%M}{state}"


def _day(one: date) -> str:
    return f"{one:%a} {one.day} {one:%b %Y}"


# --- how values are said ---------------------------------------------------------------------------


def percent(name: str, digits: int = 0, share: str = "") -> Shows:
    """A share in percent; in brackets of how much, where that is not all."""

    def shows(row: Row) -> str:
        if row[name] is None:
            return NOT_MEASURED
        part = row[share] if share else 1.0
        of = "" if part is None or part > 0.995 else f" ({number(100 * part)})"
        return f"{number(100 * row[name], digits)}{of}"

    return shows


def amount(name: str, digits: int = 0) -> Shows:
    """A number with so many decimals."""
    return lambda row: NOT_MEASURED if row[name] is None else number(row[name], digits)


def length_of_time(name: str) -> Shows:
    """Seconds as people say them."""
    return lambda row: NOT_MEASURED if row[name] is None else duration(row[name])


def text(name: str) -> Shows:
    """A text, or a day."""
    return lambda row: NOT_MEASURED if row[name] is None else plain(row[name])


def pair(one: Shows, other: Shows) -> Shows:
    """Two values beside each other: what is, and what was planned."""
    return lambda row: f"{one(row)}/{other(row)}"


# --- tables --------------------------------------------------------------------------------------


def as_read(rows: pl.DataFrame, columns: Sequence[Column]) -> pl.DataFrame:
    """A frame of texts: rows as its columns show them, each name on one line."""
    told = list(rows.iter_rows(named=True))
    return pl.DataFrame({" ".join(name.split()): [shows(row) for row in told] for name, shows in columns})


@dataclass(frozen=True)
class Grid:
    """A frame as a table that rich can print: texts left, numbers right.

    Columns of which nothing was measured are left out, and, where the terminal is too narrow, those at the right end;
    which ones is said below.

    Attributes
    ----------
    rows : DataFrame
    columns : sequence of Column
        The most wanted first.
    """

    rows: pl.DataFrame
    columns: Sequence[Column]

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> Iterator[RenderableType]:
        cells = {name: [shows(row) for row in self.rows.iter_rows(named=True)] for name, shows in self.columns}
        told = [name for name, _ in self.columns if name in _TEXTS or set(cells[name]) - {NOT_MEASURED, _NO_PAIR}]
        shown = _fitting({name: cells[name] for name in told}, options.max_width)
        made = Table(box=box.SIMPLE_HEAD, padding=(0, 1, 0, 0), pad_edge=False)
        for name in shown:
            made.add_column(
                name,
                justify="left" if name in _TEXTS else "right",
                overflow="fold",
                no_wrap=name not in _WRAPPED,
            )
        for row in zip(*(cells[name] for name in shown), strict=True):
            made.add_row(*map(Text, row))
        yield made
        if left_out := [" ".join(name.split()) for name in told if name not in shown]:
            yield Text(
                f"No room for {', '.join(left_out)}: to be seen in a wider terminal, or by --json and --export.",
                style="dim",
            )


def _fitting(cells: dict[str, list[str]], width: int) -> list[str]:
    """Names of the columns that fit, from the left."""
    shown: list[str] = []
    used = 0
    for name, column in cells.items():
        longest = max(len(line) for cell in [name, *column] for line in cell.split("\n"))
        used += (min(longest, _NARROWEST) if name in _WRAPPED else longest) + 2
        if used > width and shown:
            break
        shown.append(name)
    return shown


def group_columns(group: Sequence[str]) -> list[Column]:
    """Columns that name a row; of a shift, its date and name; none for the plant, which is one row."""
    return [("day" if name == "shift_date" else name, text(name)) for name in group if name != "plant"]


def shift_columns(group: Sequence[str]) -> list[Column]:
    """The figures of a roll-up of shifts."""
    return [
        *group_columns(group),
        ("made/plan", pair(amount("parts"), amount("planned_parts"))),
        ("avail\n%", percent("availability")),
        ("effect\n%", percent("effectiveness", share="standard_share")),
        ("quality\n%", percent("quality_ratio", 1, share="quality_share")),
        ("OEE\n%", percent("oee_index", share="oee_share")),
        ("AxE\n%", percent("availability_x_effectiveness", share="standard_share")),
        ("main\n%", percent("main_utilisation")),
        ("bar change s\nmean/p95", pair(amount("reload_mean_s"), amount("reload_p95_s"))),
        ("faults\n/100", amount("reload_faults_per_100", 1)),
        ("sub\n%", percent("sub_utilisation")),
        ("cuts\n%", percent("main_cutting_share")),
        ("log\n%", percent("coverage")),
    ]


def shift_notes(rows: pl.DataFrame, group: Sequence[str]) -> Iterator[RenderableType]:
    """What to doubt, and what the dashes and brackets mean."""
    yield from (Text(note) for note in doubts(rows, group))
    told = "In brackets: of how many per cent of the parts or the time, where it was not measured of all."
    yield Text(f"{LEGEND} {told}", style="dim")


def doubts(rows: pl.DataFrame, group: Sequence[str]) -> list[str]:
    """What to doubt, a line for all groups of which it is the same."""
    said: dict[str, list[str]] = {}
    for row in rows.iter_rows(named=True):
        name = ", ".join(str(row[one]) for one in group)
        if row["thin_shifts"]:
            few = f"{_shifts(row['thin_shifts'])} with too little log; read the ratios with care."
            said.setdefault(few, []).append(name)
        if row["doubted_standards"]:
            above = f"effectiveness above 100 % in {_shifts(row['doubted_standards'])}: "
            said.setdefault(f"{above}a standard time is longer than the machine needs.", []).append(name)
    apart = ", " if len(group) == 1 else "; "
    return [plain(f"{apart.join(names)}: {words}") for words, names in said.items()]


def cutting_notes(thresholds: pl.DataFrame) -> Iterator[RenderableType]:
    """Above which load each spindle was taken to cut, and where that could not be told."""
    for row in thresholds.iter_rows(named=True):
        name = f"{row['machine']}, {row['component']} spindle"
        if row["threshold"] is None:
            yield Text(plain(f"{name}: its loads form no two heaps, so cutting is not told from idling."))
            continue
        told = f"cuts above a load of {number(row['threshold'], 1)} %, found from {number(row['hours'])} h of turning"
        yield Text(plain(f"{name}: {told}."))


def _shifts(count: int) -> str:
    return "1 shift" if count == 1 else f"{count} shifts"


def loss_columns(group: Sequence[str]) -> list[Column]:
    """Losses, ranked."""
    return [
        *group_columns(group),
        ("", lambda row: str(row["rank"])),
        ("loss", loss_name),
        ("time", length_of_time("seconds")),
        ("% of PBT", percent("share", 1)),
        ("stops", amount("count")),
        ("parts", amount("parts")),
        ("lost\nagainst plan", amount("lost_parts")),
        ("running\n%", percent("running_share")),
    ]


def loss_name(row: Row) -> str:
    """A loss as people call it."""
    if row["cause"] is None:
        return row["line"]
    return plain(row["cause"] if row["line"] == "stops" else f"{row['cause']}, minor")


def account_columns(group: Sequence[str]) -> list[Column]:
    """The whole account of a group, from PBT to good parts."""
    return [
        *group_columns(group),
        ("planned\nbusy h", lambda row: number(row["pbt_s"] / 3600, 1)),
        ("planned\nparts", amount("planned_parts")),
        ("slack\nparts", amount("slack_parts")),
        ("losses\nin parts", amount("loss_parts")),
        ("lost\nagainst plan", amount("lost_parts")),
        ("parts\nmade", amount("parts")),
        ("of them\ngood", amount("good_parts")),
    ]


def stock_columns(group: Sequence[str], currency: str) -> list[Column]:
    """The bar account: metres, of them shares, and the remnant against plan."""
    return [
        *group_columns(group),
        ("bars", amount("bars")),
        ("loaded\nm", lambda row: number(row["loaded_mm"] / 1000, 1)),
        ("parts\n%", percent("parts_share", 1)),
        ("remnant\n%", percent("remnant_share", 1)),
        ("plan\n%", percent("planned_remnant_share", 1)),
        ("remnant\nm", lambda row: number(row["remnant_mm"] / 1000, 1)),
        ("kg", amount("remnant_kg", 1)),
        (currency, amount("remnant_cost")),
        ("unaccounted\nmm", amount("unaccounted_mm")),
        ("short\nbars", amount("bars_short")),
        ("remnant\nmeasured", amount("bars_measured")),
    ]


def short_columns(zone: str) -> list[Column]:
    """Bars that gave too little."""
    clock = ZoneInfo(zone)
    return [
        ("machine", text("machine")),
        ("finished", lambda row: f"{row['finished_at'].astimezone(clock):%a %d %b %H:%M}"),
        ("job", text("job")),
        ("parts/plan", pair(amount("parts"), amount("planned_parts"))),
        ("why", lambda row: plain(row["flag"] or "fewer parts than planned")),
        ("unaccounted\nmm", amount("unaccounted_mm")),
        ("material", text("material")),
        ("lot", text("lot")),
        ("remnant\nmm", amount("remnant_mm")),
    ]


def changeover_columns(group: Sequence[str]) -> list[Column]:
    """Changeovers by what changed."""
    return [
        *group_columns(group),
        ("what changed", text("what_changed")),
        ("times", amount("changeovers")),
        ("in all", length_of_time("total_s")),
        ("waiting", length_of_time("waiting_s")),
        ("working", length_of_time("working_s")),
        ("feeder\nas planned", feeder_plan),
        ("waiting\n%", percent("waiting_share")),
        ("median", length_of_time("median_s")),
        ("longest", length_of_time("longest_s")),
    ]


def each_changeover_columns(zone: str) -> list[Column]:
    """Changeovers one by one."""
    clock = ZoneInfo(zone)
    return [
        ("machine", text("machine")),
        ("began", lambda row: f"{row['start'].astimezone(clock):%a %d %b %H:%M}"),
        ("working", length_of_time("working_s")),
        ("feeder\nas planned", feeder_plan),
        ("what changed", text("what_changed")),
        ("job", text("to_job")),
        ("on the feeder,\nas far as known", text("setup")),
        ("waiting", length_of_time("waiting_s")),
    ]


def feeder_plan(row: Row) -> str:
    """Planned time to set the feeder up, from the least to the most; in brackets of how many, where not of all."""
    if row["planned_least_s"] is None:
        return "not planned"
    ends = dict.fromkeys((duration(row["planned_least_s"]), duration(row["planned_most_s"])))
    times = row.get("changeovers", 1), row.get("planned_changeovers", 1)
    return " to ".join(ends) + ("" if times[0] == times[1] else f" (of {times[1]})")


FEEDER_PLAN: Final = (
    "As planned: setting up the bar feeder alone, by the site file's [changeover] (common practice where it gives no "
    "time), from what is known to have changed to all that may have. Working has tools, program and first part in it."
)


def section(title: str, rows: pl.DataFrame, columns: Sequence[Column], nothing: str) -> Iterator[RenderableType]:
    """A title and a table, or a sentence where there are no rows."""
    yield ""
    yield Text(title, style="bold")
    yield Grid(rows, columns) if rows.height else Padding(Text(nothing), (0, 0, 0, 2))


# --- as data -------------------------------------------------------------------------------------


def period_as_data(period: Period) -> Row:
    """A period as plain values."""
    return {
        "first": period.first.isoformat(),
        "last": period.last.isoformat(),
        "week": period.week or None,
        "time_zone": period.zone,
        "log_end": period.log_end.astimezone(ZoneInfo(period.zone)).isoformat(),
        "whole": period.whole,
    }


def rows_as_data(frame: pl.DataFrame, zone: str) -> list[Row]:
    """Rows as plain values: instants and days in ISO 8601, instants with the site's offset from UTC."""
    clock = ZoneInfo(zone)

    def value(one: Any) -> Any:
        if isinstance(one, datetime):
            return one.astimezone(clock).isoformat()
        return one.isoformat() if isinstance(one, date) else one

    return [{name: value(one) for name, one in row.items()} for row in frame.iter_rows(named=True)]


def sentences(lines: Iterable[str]) -> Iterator[RenderableType]:
    """Texts from logs and from us, each a paragraph, indented."""
    yield from (Padding(Text(plain(line)), (0, 0, 0, 2), expand=False) for line in lines)
