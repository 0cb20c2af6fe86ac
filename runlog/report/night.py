"""The review of a night in the terminal: the machine to walk to first on top, then each machine's night.

    Console().print(NightReport(night_review(facts, site), datetime.now(UTC)))

Everything shown is a column of the review; a text from a log is printed as text, never as markup. The strip is
drawn in plain ASCII, so that it survives every console and pipe.
"""

from collections.abc import Iterable, Iterator
from dataclasses import asdict, dataclass
from datetime import datetime, timedelta
from typing import Any, Final

import polars as pl
from rich import box
from rich.console import Console, ConsoleOptions, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from runlog.figures.cautions import CAUTIONS
from runlog.figures.headline import headline
from runlog.figures.night import NightReview
from runlog.figures.slots import BAR_CHANGE, slots
from runlog.report.writing import Clock, duration, number, plain

Row = dict[str, Any]

MARKS: Final = {
    "producing": ("=", "green"),
    BAR_CHANGE: ("|", "bold green"),
    "reloading": ("r", "yellow"),
    "setting": ("s", "cyan"),
    "stopped": ("X", "bold red"),
    "no signal": ("?", "magenta"),
}
"""Kinds of time in the strip: a character that tells without colour, and a colour for those who see one."""
NO_LOG: Final = "."

_SLOT_MINUTES: Final = (5, 6, 10, 12, 15, 20, 30, 60, 120, 180, 240, 360, 720, 1440)
_NARROWEST: Final = 20


@dataclass(frozen=True)
class NightReport:
    """A review that rich can print; it fits itself to the width it is given.

    Attributes
    ----------
    review : NightReview
    now : datetime
        With zone; tells how old the log is.
    """

    review: NightReview
    now: datetime

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> Iterator[RenderableType]:
        review, clock = self.review, Clock(self.review.window)
        yield from _head(review, self.now)
        yield _worst_first(review, clock)
        yield from _strips(review, clock, options.max_width)
        for machine in review.machines.iter_rows(named=True):
            yield from _block(machine, review, clock)
        yield ""
        yield Text("Cautions", style="bold")
        yield from (Padding(Text(caution), (0, 0, 0, 2), expand=False) for caution in CAUTIONS)


def _head(review: NightReview, now: datetime) -> Iterator[RenderableType]:
    words = headline(review, now)
    yield Text(f"{words.night}, {words.window}", style="bold")
    yield Text(words.log, style="yellow" if review.window.running else "")
    if review.window.running:
        yield Text("Plans are those up to the end of the log.")
    if review.window.attended:
        yield Text("No shift is planned with nobody present: this is the last shift.")
    yield ""
    lead = f"{words.lead}: {words.why}" if words.why else words.lead
    yield Text(plain(lead), style="bold red" if words.machine else "bold green")
    yield Text(words.rest)


# --- all machines --------------------------------------------------------------------------------


def _worst_first(review: NightReview, clock: Clock) -> Table:
    table = Table(box=box.SIMPLE_HEAD, padding=(0, 1), pad_edge=False)
    table.add_column("machine", no_wrap=True, style="bold")
    table.add_column("finding", min_width=_NARROWEST)
    for title in ("made/planned", "limit", "h lost", "h run/planned"):
        table.add_column(title, justify="left" if title == "limit" else "right", no_wrap=True)
    for row in review.machines.iter_rows(named=True):
        planned = _whole(row["planned_parts"])
        table.add_row(
            Text(plain(row["machine"])),
            Text(_short(row, clock)),
            f"{row['parts']}/{planned}",
            row["limit"] or "-",
            "-" if row["hours_lost"] is None else number(row["hours_lost"], 1),
            f"{number(row['run_h'], 1)}/{number(row['planned_h'], 1)}",
        )
    return table


def _short(row: Row, clock: Clock) -> str:
    """The ending in a few words: the whole sentence stands in the machine's block."""
    ended = {"window": "ran through", "visit": "ran until somebody came", "no signal": "signal lost"}
    what = ended.get(row["ended_by"], row["ended_by"])
    if row["ended_by"] in ("stop", "not started") and row["cause"]:
        what = row["cause"] if row["ended_by"] == "stop" else f"not started: {row['cause']}"
    at = f"{clock.time(row['stopped_at'])} " if row["stopped_at"] and row["ended_by"] != "not started" else ""
    return plain(f"{at}{what}" + (", still standing" if row["standing_now"] else ""))


def _whole(planned: float | None) -> str:
    return "no plan" if planned is None else str(int(planned))


# --- the strip -----------------------------------------------------------------------------------


def _strips(review: NightReview, clock: Clock, width: int) -> Iterator[RenderableType]:
    names = {name: plain(name) for name in review.machines["machine"]}
    label = max(len(name) for name in names.values()) + 2
    count, minutes = _fit(review.window.hours, max(width - label, _NARROWEST))
    drawn = slots(review.strip, review.window, timedelta(minutes=minutes))
    yield Text(_hours(review, clock, count, minutes, label), style="dim", no_wrap=True, overflow="crop")
    for name, shown in names.items():
        kinds = dict(drawn.filter(pl.col("machine") == name).select("slot", "kind").iter_rows())
        line = Text(shown.ljust(label), no_wrap=True, overflow="crop")
        for slot in range(count):
            line.append(*MARKS.get(kinds.get(slot, ""), (NO_LOG, "dim")))
        yield line
    legend = ", ".join(f"{mark} {kind}" for kind, (mark, _) in MARKS.items())
    yield Text(f"A character is {minutes} min: {legend}, {NO_LOG} no log.", style="dim")


def _fit(hours: float, room: int) -> tuple[int, int]:
    """How many characters, of how many minutes each; the last may be cut off by the end of the window."""
    window = round(hours * 60)
    minutes = next((minutes for minutes in _SLOT_MINUTES if window <= room * minutes), _SLOT_MINUTES[-1])
    return -(-window // minutes), minutes


def _hours(review: NightReview, clock: Clock, count: int, minutes: int, label: int) -> str:
    line = " " * label
    for slot in range(count):
        hour = clock.full_hour(review.window.start + timedelta(minutes=slot * minutes))
        if hour and (slot == 0 or len(line) + 2 <= label + slot):
            line = line.ljust(label + slot) + hour
    return line


# --- one machine ---------------------------------------------------------------------------------


def _block(row: Row, review: NightReview, clock: Clock) -> Iterator[RenderableType]:
    mine = pl.col("machine") == row["machine"]
    yield ""
    title = Text(plain(row["machine"]), style="bold")
    yield title.append(f"  {plain(row['jobs'] or 'no job')}: {plain(row['ending'])}", style="not bold")
    lines = Table.grid(padding=(0, 2))
    lines.add_column(no_wrap=True, style="dim")
    lines.add_column(overflow="fold")
    for name, text in (
        *(("stop", _stop(stop, clock)) for stop in review.stops.filter(mine & ~pl.col("minor")).iter_rows(named=True)),
        ("parts", _parts(row, clock)),
        ("reloads", _reloads(row)),
        ("remnants", _remnants(row)),
        ("time", _time(review.time.filter(mine).iter_rows(named=True))),
        ("spindles", _spindles(row)),
        ("not measured", row["not_measured"]),
    ):
        if text:
            lines.add_row(name, Text(plain(text)))
    yield Padding(lines, (0, 0, 0, 2), expand=False)


def _stop(stop: Row, clock: Clock) -> str:
    until = "still standing" if stop["open"] else f"to {clock.time(stop['end'])}"
    alarm = " ".join(word for word in (stop["code"], stop["text"]) if word)
    count = stop["consequences"]
    more = f"; {count} more alarm{'s' if count > 1 else ''} followed: {stop['consequence_codes']}" if count else ""
    first_out = f"first alarm {alarm}{more}" if alarm else "no alarm before it"
    return f"{clock.time(stop['start'])} {until}: {stop['cause']}; {first_out}"


def _parts(row: Row, clock: Clock) -> str:
    made = f"{row['parts']} made"
    if row["good_parts"] is not None:
        made += f", {row['good_parts']} good"
    if row["planned_parts"] is None:
        return f"{made}; no plan: the job of its program is not known"
    return "; ".join(text for text in (made, _plan(row), _bars_held(row, clock)) if text)


def _plan(row: Row) -> str:
    job = "" if row["plan_jobs"] == row["jobs"] else f" for {row['plan_jobs']}"
    by = "" if row["plan_basis"] == "computed" else f" ({row['plan_basis']}{job})"
    plan = f"{number(row['planned_parts'], 1)} planned{by}, bound by {row['limit']}"
    allowed = row["computed_parts"]
    if by and allowed is not None and allowed < row["planned_parts"]:
        plan += f", more than the {number(allowed, 1)} that time, bars and order allow"
    return plan


def _bars_held(row: Row, clock: Clock) -> str:
    if row["bars_held"] is None:
        return ""
    basis = "magazine taken as full" if row["bars_basis"] == "magazine" else "as noted"
    until = f", to run out at {clock.time(row['run_out_at'])}" if row["run_out_at"] else ""
    return f"{row['bars_held']} bars at the start ({basis}){until}"


def _reloads(row: Row) -> str:
    text = row["bar_changes"]
    if row["reload_mean_s"] is not None:
        text += f"; mean {number(row['reload_mean_s'], 1)} s"
        planned = row["reload_planned_s"]
        text += f", planned {number(planned, 1)} s" if planned is not None else ", no planned time"
    return text


def _remnants(row: Row) -> str:
    if not row["bars"]:
        return "no bar ended whose remnant is known"
    bars = "1 bar" if row["bars"] == 1 else f"{row['bars']} bars"
    left = _length_and_mass(row["remnant_mm"], row["remnant_kg"])
    if row["planned_remnant_mm"] is None:
        return f"{bars}, {left} left; nothing planned; {row['remnant_basis']}"
    planned = _length_and_mass(row["planned_remnant_mm"], row["planned_remnant_kg"])
    return f"{bars}, {left} left; planned {planned}; {row['remnant_basis']}"


def _length_and_mass(length_mm: float, mass_kg: float | None) -> str:
    return f"{number(length_mm)} mm" + ("" if mass_kg is None else f" ({number(mass_kg, 2)} kg)")


def _time(rows: Iterable[Row]) -> str:
    return ", ".join(
        f"{_loss(row)} {duration(row['seconds'])}"
        + ("" if row["parts"] is None else f" ({number(row['parts'], 1)} parts)")
        for row in rows
    )


def _loss(row: Row) -> str:
    if row["cause"] is None:
        return row["line"]
    return row["cause"] if row["line"] == "stops" else f"{row['line']}, {row['cause']}"


def _spindles(row: Row) -> str:
    used = {"main": row["main_utilisation"], "sub": row["sub_utilisation"]}
    return ", ".join(f"{name} turning {number(100 * share)} %" for name, share in used.items() if share is not None)


# --- as data -------------------------------------------------------------------------------------


def as_data(review: NightReview, now: datetime) -> dict[str, Any]:
    """The review as plain values for `--json`: instants in ISO 8601 with the site's offset from UTC.

    Parameters
    ----------
    review : NightReview
    now : datetime
        With zone; tells how old the log is.

    Returns
    -------
    dict
        window, headline, and machines, stops, reloads, strip and time as lists of rows.
    """
    clock, window = Clock(review.window), review.window

    def value(one: Any) -> Any:
        return one.astimezone(clock.zone).isoformat() if isinstance(one, datetime) else one

    def rows(frame: pl.DataFrame) -> list[Row]:
        return [{name: value(one) for name, one in row.items()} for row in frame.iter_rows(named=True)]

    return {
        "window": {
            "night": window.night.isoformat(),
            "start": value(window.start),
            "end": value(window.end),
            "seen_to": value(window.seen_to),
            "log_end": value(window.log_end),
            "time_zone": window.zone,
            "hours": window.hours,
            "attended": window.attended,
            "running": window.running,
        },
        "headline": asdict(headline(review, now)),
        "machines": rows(review.machines),
        "stops": rows(review.stops),
        "reloads": rows(review.reloads),
        "strip": rows(review.strip),
        "time": rows(review.time),
        "cautions": list(CAUTIONS),
    }
