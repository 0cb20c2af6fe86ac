"""The week in the terminal, and as plain values for `--json`."""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any, Final

import polars as pl
from rich.console import Console, ConsoleOptions, RenderableType
from rich.text import Text

from runlog.figures.cautions import CAUTIONS
from runlog.figures.week import WeekReview
from runlog.report import rollups
from runlog.report.writing import number, plain

Row = dict[str, Any]

LOSSES_SHOWN: Final = 12
BARS_SHOWN: Final = 10
CHANGES_SHOWN: Final = 20


@dataclass(frozen=True)
class WeekReport:
    """A week that rich can print.

    Attributes
    ----------
    review : WeekReview
    currency : str
        Of prices in the site file.
    """

    review: WeekReview
    currency: str

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> Iterator[RenderableType]:
        review = self.review
        yield Text(rollups.heading(review.period), style="bold")
        yield Text(plant_words(review.plant.row(0, named=True)))
        yield from _changed(review)
        yield rollups.Grid(review.machines, rollups.shift_columns(["machine"]))
        yield from rollups.cutting_notes(review.thresholds)
        yield from rollups.shift_notes(review.machines, ["machine"])
        yield from rollups.section("Losses", review.losses.head(LOSSES_SHOWN), _LOSSES, "nothing was lost")
        yield from _account(review)
        yield from rollups.section(
            "Bars", review.bars, rollups.stock_columns(["material"], self.currency), "no bar ended"
        )
        yield from _short(review)
        yield from rollups.section(
            "Changeovers", review.changeovers, rollups.changeover_columns([]), "none began this week"
        )
        if review.changeovers.height:
            yield Text(rollups.FEEDER_PLAN, style="dim")
        yield from _trends(review)
        yield from _scrap(review)
        yield ""
        yield Text("Cautions", style="bold")
        yield from rollups.sentences(CAUTIONS)


_LOSSES: Final[list[rollups.Column]] = [
    *rollups.loss_columns([]),
    ("place\nby stops", rollups.amount("by_count")),
    ("by\nparts", rollups.amount("by_parts")),
]


def plant_words(row: Row) -> str:
    """The plant in a sentence."""
    made = f"{row['parts']} parts made"
    if row["planned_parts"] is not None:
        made += f" of {number(row['planned_parts'])} planned"
    said = [f"{made} in {number(row['pbt_s'] / 3600)} h of planned busy time"]
    said += [
        f"{words} {rollups.percent(name)(row)} %"
        for name, words in (("availability", "availability"), ("effectiveness", "effectiveness"))
        if row[name] is not None
    ]
    if row["quality_ratio"] is None:
        said.append("quality not measured, and so no OEE")
    else:
        of = (
            "" if row["quality_share"] > 0.995 else f", measured of {number(100 * row['quality_share'])} % of the parts"
        )
        said.append(f"quality {number(100 * row['quality_ratio'], 1)} %{of}")
    return "; ".join(said) + "."


def _changed(review: WeekReview) -> Iterator[RenderableType]:
    rows = review.changed
    if not rows.height:
        return
    count = "1 shift shows" if rows.height == 1 else f"{rows.height} shifts show"
    yield Text(f"{count} other figures than when this week was last shown:", style="yellow")
    yield from rollups.sentences(
        f"{row['machine']}, {row['shift_date']:%a %d %b}, {row['shift']}: {row['what']}"
        for row in rows.head(CHANGES_SHOWN).iter_rows(named=True)
    )
    if rows.height > CHANGES_SHOWN:
        yield Text(f"  and {rows.height - CHANGES_SHOWN} more; `runlog week --json` lists them all")


def _account(review: WeekReview) -> Iterator[RenderableType]:
    if (more := review.losses.height - LOSSES_SHOWN) > 0:
        yield Text(f"{more} smaller ones: runlog losses --week {review.period.week}", style="dim")
    row = review.account.row(0, named=True) if review.account.height else None
    if row and row["planned_parts"] is not None:
        yield Text(
            f"{number(row['planned_parts'])} planned + {number(row['slack_parts'])} slack "
            f"- {number(row['loss_parts'])} lost in all losses (in parts): "
            f"so much time the plan left free, and {number(row['lost_parts'])} parts were lost against it."
        )


def _short(review: WeekReview) -> Iterator[RenderableType]:
    short = review.short
    if not short.height:
        return
    yield from rollups.section("Short bars", short.head(BARS_SHOWN), rollups.short_columns(review.period.zone), "none")
    if (more := short.height - BARS_SHOWN) > 0:
        yield Text(f"{more} more: runlog remnant --week {review.period.week}", style="dim")


def _trends(review: WeekReview) -> Iterator[RenderableType]:
    trends = review.trends
    moving = trends.filter(pl.col("verdict").is_in(["rising", "falling", "stepped"]))
    counts = {name: trends.filter(pl.col("verdict") == name).height for name in ("steady", "too few to tell")}
    yield ""
    yield Text("Trends, up to 13 weeks, shift by shift", style="bold")
    yield from rollups.sentences(moving["said"])
    rest = [f"{counts['steady']} series steady"]
    if counts["too few to tell"]:
        rest.append(f"{counts['too few to tell']} with too few shifts to tell")
    yield from rollups.sentences([f"{'' if moving.height else 'No change beyond chance: '}{', '.join(rest)}."])


def _scrap(review: WeekReview) -> Iterator[RenderableType]:
    rows = review.scrap_problems
    if not rows.height:
        return
    yield ""
    yield Text("Scrap lists that do not fit the log", style="bold")
    yield from rollups.sentences(
        f"{row['machine']}, {row['shift_date']:%a %d %b}, {row['shift']}, {plain(row['job'])}: {row['scrap']} bad of "
        f"{'no' if row['parts'] is None else row['parts']} parts: {row['problem']}"
        for row in rows.iter_rows(named=True)
    )


def week_as_data(review: WeekReview) -> Row:
    """The week as plain values for `--json`."""
    frames = (
        "plant",
        "machines",
        "thresholds",
        "account",
        "losses",
        "bars",
        "short",
        "changeovers",
        "trends",
        "changed",
    )
    zone = review.period.zone
    return {
        "period": rollups.period_as_data(review.period),
        **{name: rollups.rows_as_data(getattr(review, name), zone) for name in (*frames, "scrap_problems")},
        "cautions": list(CAUTIONS),
    }
