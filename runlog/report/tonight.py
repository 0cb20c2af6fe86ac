"""Tonight in the terminal, and as plain values for `--json`."""

from collections.abc import Iterator
from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

import polars as pl
from rich.console import RenderableType
from rich.text import Text

from runlog.figures.forecast_check import ForecastCheck
from runlog.figures.forecast_shop import ShopForecast
from runlog.figures.tonight import Tonight
from runlog.report.rollups import NOT_MEASURED, Column, Grid, Row, Shows, amount, rows_as_data, section, sentences, text
from runlog.report.writing import number, plain

_FIXES_SHOWN: Final = 8
LEGEND: Final = (
    "Reach: chance to get to the planned end (window end, last bar or order, whichever is first), with its 80 % limits."
    " Parts: average, and the narrowest range that holds four nights of five. Runs at end: chance to be at work when"
    " the window ends. Load: bars that nine nights of ten do not"
    " use up."
)


def shown(review: Tonight, *, full_check: bool = False) -> Iterator[RenderableType]:
    """Heading, a line and a table of machines, what to fix first, how good such forecasts were, cautions."""
    zone = ZoneInfo(review.zone)
    yield Text(heading(review), style="bold")
    yield from (Text(plain(note), style="yellow") for note in review.notes)
    if together := shop_words(review.shop):
        yield Text(together)
    yield from _sentences(review)
    if review.machines["reach"].count():
        yield Grid(review.machines.filter(pl.col("reach").is_not_null()), columns(zone))
        yield Text(LEGEND, style="dim")
    yield from section(
        "What to fix first, parts a night gained without it", review.fixes.head(_FIXES_SHOWN), FIXES, "nothing to go by"
    )
    yield from _check(review.check, full=full_check)
    yield ""
    yield Text("Cautions", style="bold")
    yield from sentences(review.cautions)


def as_data(review: Tonight, *, full_check: bool = False) -> dict[str, Any]:
    """The same as plain values; instants in ISO 8601 with the site's offset."""
    check: dict[str, Any] = {"summary": review.check.summary.row(0, named=True)}
    if full_check:
        check |= {
            "classes": review.check.classes.to_dicts(),
            "nights": rows_as_data(review.check.nights, review.zone),
        }
    return {
        "log_end": review.log_end.astimezone(ZoneInfo(review.zone)).isoformat() if review.log_end else None,
        "machines": rows_as_data(review.machines, review.zone),
        "fixes": review.fixes.to_dicts(),
        "gains": review.gains.to_dicts(),
        "shop": {name: value for name, value in vars(review.shop).items() if name != "hours"} if review.shop else None,
        "check": check,
        "notes": review.notes,
        "cautions": list(review.cautions),
    }


def heading(review: Tonight) -> str:
    """From when on, and how far the log reaches."""
    zone = ZoneInfo(review.zone)
    starts = review.machines["at"].unique().sort().to_list()
    if not starts:
        return "Tonight: no machine in the log"
    first = starts[0].astimezone(zone)
    more = " and later" if len(starts) > 1 else ""
    read = review.log_end.astimezone(zone) if review.log_end else None
    log = f"; log read to {read:%a} {read.day} {read:%b %Y %H:%M}" if read else ""
    return f"Unattended from {first:%a} {first.day} {first:%b %Y %H:%M}{more}, {review.zone}{log}"


def _sentences(review: Tonight) -> Iterator[RenderableType]:
    for row in review.machines.iter_rows(named=True):
        yield Text(plain(f"{row['machine']}, {row['job']}: {row['finding']}."))
        for note in (row["notes"] or "").splitlines():
            yield Text(plain(f"  {note}"), style="dim")


def columns(zone: ZoneInfo) -> list[Column]:
    return [
        ("machine", text("machine")),
        ("job", text("job")),
        ("reach %\n(limits)", _reach),
        ("parts\n(4 of 5 nights)", _parts),
        ("runs at\nend %", lambda row: number(100 * row["still_running"])),
        ("planned\nend", _clock("planned_end_at", zone)),
        ("bars", amount("bars")),
        ("bars\nlast to", _clock("bars_out_at", zone)),
        ("load\nbars", amount("bars_worth")),
        ("if it\nstops", _clock("first_stop_at", zone)),
        ("runs\nseen", amount("history_runs")),
    ]


def _reach(row: Row) -> str:
    low, high = number(100 * row["reach_low"]), number(100 * row["reach_high"])
    return f"{number(100 * row['reach'])} ({low}-{high})"


def _parts(row: Row) -> str:
    kind = "good_parts", "good_low", "good_high"
    mean, low, high = (
        row[name] for name in (kind if row["good_parts"] is not None else ("parts", "parts_low", "parts_high"))
    )
    return f"{number(mean)} ({number(low)}-{number(high)})" + (" good" if row["good_parts"] is not None else " made")


def _clock(name: str, zone: ZoneInfo) -> Shows:
    def shows(row: Row) -> str:
        at: datetime | None = row[name]
        return NOT_MEASURED if at is None else f"{at.astimezone(zone):%a %H:%M}"

    return shows


def _worst(row: Row) -> str:
    return f"{plain(row['worst'])} {number(row['worst_parts'], 1)}"


def hours_columns(zone: ZoneInfo) -> list[Column]:
    """Chance to be at work over the clock, as it is drawn."""
    return [
        ("machine", text("machine")),
        ("clock", _clock("at", zone)),
        ("at work\n%", lambda row: number(100 * row["at_work"])),
    ]


FIXES: Final[list[Column]] = [
    ("what", text("cause")),
    ("parts\na night", amount("gained_parts", 1)),
    ("most of\nit on", _worst),
    ("stops\nseen", lambda row: str(row["seen"]) if row["seen"] else NOT_MEASURED),
]


def shop_words(shop: ShopForecast | None) -> str:
    """All machines together in a sentence; empty where none is forecast."""
    if shop is None or shop.machines < 2:
        return ""
    return (
        f"All {shop.machines} together: {number(shop.parts)} parts on average, {number(shop.low)} to"
        f" {number(shop.high)} in four nights of five; {number(100 * shop.all_reach)} % that every one gets through."
    )


def differences(before: Tonight, after: Tonight) -> list[str]:
    """What another plan changes, machine by machine, and together."""
    both = after.machines.join(before.machines, on="machine", suffix="_before").sort("machine")
    said = [
        f"{row['machine']}: {_change(row, 'reach', 100)} % to get through, {_change(row, 'parts')} parts, "
        f"bars last to {_clock('bars_out_at', ZoneInfo(after.zone))(row)}"
        for row in both.iter_rows(named=True)
        if any(row[name] != row[f"{name}_before"] for name in ("job", "bars", "parts_left", "reach"))
    ]
    if before.shop is not None and after.shop is not None:
        said.append(f"Together: {number(after.shop.parts)} parts, were {number(before.shop.parts)}")
    return said


def _change(row: Row, name: str, times: float = 1) -> str:
    now, was = (NOT_MEASURED if one is None else number(times * one) for one in (row[name], row[f"{name}_before"]))
    return f"{now}, was {was}," if now != was else now


def _check(check: ForecastCheck, *, full: bool) -> Iterator[RenderableType]:
    row = check.summary.row(0, named=True)
    yield from (Text(line) for line in check_words(check))
    if not row["nights"]:
        return
    if not full:
        return
    yield Text(
        f"The ranges said that they would hold {number(100 * row['expected_coverage'])} %: parts are whole,"
        f" and many nights end alike. {row['left_out']} runs could not be judged: begun in the midst of a window,"
        " signal lost, no plan, or nothing before them to go by."
    )
    yield from section("By chance forecast", check.classes, CLASSES, "none")
    yield from section("By machine", check.machines, _BY_MACHINE, "none")


def check_words(check: ForecastCheck) -> list[str]:
    """How good such forecasts have been, in sentences."""
    row = check.summary.row(0, named=True)
    if not row["nights"]:
        return ["No past night to check such forecasts against yet."]
    return [
        f"Checked on {row['nights']} past nights, each forecast from what came before it: the 80 % ranges held"
        f" {number(100 * row['coverage'])} %; Brier score {number(row['brier'], 3)}, against"
        f" {number(row['brier_shop_share'], 3)} for the shop's share so far, {number(row['brier_own_share'], 3)} for"
        f" the machine's own, {number(row['brier_as_last_night'], 3)} for a night like the last (less is better)."
    ]


CLASSES: Final[list[Column]] = [
    ("what", lambda row: f"{number(100 * row['from'])} to {number(100 * row['to'])} %"),
    ("nights", amount("nights")),
    ("said\n%", lambda row: number(100 * row["said"])),
    ("reached\n%", lambda row: number(100 * row["reached"])),
]
_BY_MACHINE: Final[list[Column]] = [
    ("machine", text("machine")),
    ("nights", amount("nights")),
    ("said\n%", lambda row: number(100 * row["said"])),
    ("reached\n%", lambda row: number(100 * row["reached"])),
    ("ranges\nheld %", lambda row: number(100 * row["held"])),
]
