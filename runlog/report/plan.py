"""A job's plan and its sawing table in the terminal, and both as plain values for `--json`.

Everything shown is a column or a sentence of the review; nothing is worked out here.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any, Final
from zoneinfo import ZoneInfo

import polars as pl
from rich.console import Console, ConsoleOptions, RenderableType
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from runlog.figures.cautions import CAUTIONS
from runlog.figures.planning import PlanReview
from runlog.figures.sawing import SawingReview
from runlog.report.rollups import NOT_MEASURED, Column, amount, length_of_time, percent, text
from runlog.report.writing import duration, number, plain

Row = dict[str, Any]


@dataclass(frozen=True)
class PlanReport:
    """A job's plan that rich can print.

    Attributes
    ----------
    review : PlanReview
    """

    review: PlanReview

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> Iterator[RenderableType]:
        review = self.review
        yield from _plan_head(review)
        yield ""
        yield _table(review.machines, machine_columns(review.zone))
        yield ""
        yield _sentences(review)
        yield ""
        yield from _stock(review)
        yield from _batches(review)
        yield ""
        yield Text("Cautions", style="bold")
        yield from (Padding(Text(caution), (0, 0, 0, 2), expand=False) for caution in CAUTIONS)


def _plan_head(review: PlanReview) -> Iterator[RenderableType]:
    job = review.job
    yield Text(f"{plain(job.name)}: plan from {_clock(review.start, review.zone)}, {review.zone}", style="bold")
    yield Text(
        f"Stock: {job.section} {job.diameter_mm:g} mm, {plain(job.material)}, bars of {job.bar_mm:g} mm. "
        f"A part takes {number(review.machines['pitch_mm'][0], 2)} mm: part {job.part_mm:g}, parting "
        f"{job.parting_mm:g}, facing {job.facing_mm:g}."
    )


def machine_columns(zone: str) -> list[Column]:
    """A job's plan machine by machine."""
    return [
        ("machine", text("machine")),
        ("parts\na bar", lambda row: str(row["parts_per_bar"])),
        ("remnant\nmm", amount("remnant_mm", 1)),
        ("PRI\ns/part", amount("standard_time_s", 3)),
        ("a bar\nlasts", length_of_time("bar_lasts_s")),
        ("bars", amount("bars")),
        (
            "planned\nparts",
            lambda row: NOT_MEASURED if row["planned_parts"] is None else str(int(row["planned_parts"])),
        ),
        ("limit", lambda row: row["limit"] or NOT_MEASURED),
        (
            "out of bars at",
            lambda row: _clock(row["run_out_at"], zone, "%a %H:%M %Z") if row["run_out_at"] else NOT_MEASURED,
        ),
    ]


def _sentences(review: PlanReview) -> RenderableType:
    """Each machine's finding and notes; what holds for all of several machines is said once."""
    lines = Table.grid(padding=(0, 2))
    lines.add_column(no_wrap=True, style="bold")
    lines.add_column(overflow="fold")
    notes = [row.splitlines() for row in review.machines["notes"]]
    shared = [note for note in notes[0] if len(notes) > 1 and all(note in others for others in notes)]
    for row, own in zip(review.machines.iter_rows(named=True), notes, strict=True):
        lines.add_row(Text(plain(row["machine"])), Text(plain(row["finding"])))
        for note in own:
            if note not in shared:
                lines.add_row("", Text(plain(note)))
    for place, note in enumerate(shared):
        lines.add_row("" if place else "all", Text(plain(note)))
    return lines


def _stock(review: PlanReview) -> Iterator[RenderableType]:
    if not review.stock.height:
        yield Text("Stock for the order: no quantity known; --order says how many parts.")
        return
    yield Text(f"Stock for {review.stock['parts'][0]} parts", style="bold")
    yield _table(review.stock, stock_columns(plain(review.currency)))
    yield ""
    first = review.stock.row(0, named=True)
    yield Text("Ready: bars to have at hand. Back: what is left of the last one when the order is complete.")
    yield Text(
        f"Bar ends take {first['bar_end_share']:.1%} of a bar; the trade's rule of thumb for long bars allows "
        f"{first['allowance_share']:.1%} for bar ends and scrap."
    )


def stock_columns(currency: str) -> list[Column]:
    """Stock of an order machine by machine."""
    return [
        ("machine", text("machine")),
        ("bars", lambda row: str(row["bars"])),
        ("used\nbars", amount("bars_used", 2)),
        ("ready\nm", amount("ready_m", 2)),
        ("back\nm", amount("returned_m", 2)),
        ("remnants\nm", amount("remnants_m", 2)),
        ("ready\nkg", amount("ready_kg", 1)),
        ("used\nkg", amount("used_kg", 1)),
        (f"ready\n{currency}", amount("ready_cost", 2)),
        (f"used\n{currency}", amount("used_cost", 2)),
    ]


def _batches(review: PlanReview) -> Iterator[RenderableType]:
    yield ""
    if not review.paying.height:
        yield Text("Short batches: no unattended shift is planned within two weeks, so there is nothing to gain.")
        return
    yield Text("Short batches: from how many parts on unattended running pays for setting the feeder up", style="bold")
    machines = review.paying["machine"].unique(maintain_order=True).to_list()
    table = _empty("what changes", "planned", *(plain(name) for name in machines))
    for change, rows in review.paying.group_by("change", maintain_order=True):
        batches = (_known(value) for value in rows["paying_batch"])
        table.add_row(str(change[0]), duration(rows["changeover_s"][0]), *batches)
    yield table
    first = review.curve.filter(pl.col("machine") == machines[0])
    yield ""
    yield Text(f"Hours gained on {plain(machines[0])} with nobody there, less the changeover:")
    changes = first["change"].unique(maintain_order=True).to_list()
    curve = _empty("batch", *(change.replace(", ", ",\n") for change in changes))
    for batch, rows in first.group_by("batch", maintain_order=True):
        curve.add_row(str(batch[0]), *(number(value, 1) for value in rows["net_h"]))
    yield curve


# --- sawing --------------------------------------------------------------------------------------

FITTING_SHOWN: Final = 6
TOO_LONG_SHOWN: Final = 3
"""Ways of sawing listed: the best of those that fit, and the shortest of those that do not."""


@dataclass(frozen=True)
class SawingReport:
    """Ways to saw a bought bar that rich can print.

    Attributes
    ----------
    review : SawingReview
    """

    review: SawingReview

    def __rich_console__(self, console: Console, options: ConsoleOptions) -> Iterator[RenderableType]:
        review = self.review
        longest = "no limit" if review.longest_mm is None else f"at most {review.longest_mm:g} mm"
        yield Text(f"{plain(review.job)}: a bought bar of {review.bought_mm:g} mm in equal pieces", style="bold")
        yield Text(f"A cut takes {review.kerf_mm:g} mm; {plain(review.machine)} loads {longest}.")
        shown = worth_showing(review.pieces)
        if shown.height:
            yield ""
            yield _table(shown, piece_columns(review.bars_held))
            yield ""
        if more := review.pieces.height - shown.height:
            yield Text(f"{more} more ways, none of them better; --json lists all.")
        yield from (Text(plain(sentence)) for sentence in review.advice)


def piece_columns(bars_held: int | None) -> list[Column]:
    """Ways to saw a bought bar."""
    magazine = "magazine\nlasts" if bars_held is None else f"magazine\nof {bars_held}"
    return [
        ("rank", amount("rank")),
        ("pieces", lambda row: str(row["pieces"])),
        ("mm\neach", amount("piece_mm", 1)),
        ("parts\neach", lambda row: str(row["parts_per_piece"])),
        ("parts\na bar", lambda row: str(row["parts_per_bought"])),
        ("remnant\n%", percent("remnant_share", 1)),
        ("waste\n%", percent("waste_share", 1)),
        ("reloads\nper 100", amount("reloads_per_100", 1)),
        (magazine, length_of_time("endurance_s")),
        ("verdict", _verdict),
    ]


def worth_showing(pieces: pl.DataFrame) -> pl.DataFrame:
    """The best of those that fit, and those just too long: what people ask about first."""
    too_long = pieces.filter(pl.col("rank").is_null()).sort("pieces", descending=True).head(TOO_LONG_SHOWN)
    return pl.concat([pieces.filter(pl.col("rank").is_not_null()).head(FITTING_SHOWN), too_long])


def _verdict(row: Row) -> str:
    if row["too_long_mm"] is not None:
        return f"{number(row['too_long_mm'], 1)} mm too long"
    return row["verdict"] if row["beaten_by"] is None else f"beaten by {row['beaten_by']}"


# --- both ----------------------------------------------------------------------------------------


def _table(rows: pl.DataFrame, columns: Sequence[Column]) -> Table:
    table = _empty(*(name for name, _ in columns))
    for row in rows.iter_rows(named=True):
        table.add_row(*(shows(row) for _, shows in columns))
    return table


def _empty(*titles: str) -> Table:
    table = Table(box=None, padding=(0, 1, 0, 0), pad_edge=False, header_style="dim")
    words = {"machine", "limit", "out of bars at", "verdict", "what changes"}
    for title in titles:
        table.add_column(title, justify="left" if title in words else "right", no_wrap=True)
    return table


def _known(value: float | None, digits: int = 0) -> str:
    return NOT_MEASURED if value is None else number(value, digits)


def _clock(at: datetime, zone: str, form: str = "%a %d %b %Y %H:%M %Z") -> str:
    return at.astimezone(ZoneInfo(zone)).strftime(form)


def plan_as_data(review: PlanReview) -> dict[str, Any]:
    """The plan as plain values: instants in ISO 8601 with the site's offset from UTC.

    Returns
    -------
    dict
        job, start, time_zone, currency, and machines, stock, paying and curve as lists of rows.
    """
    zone = ZoneInfo(review.zone)

    def value(one: Any) -> Any:
        return one.astimezone(zone).isoformat() if isinstance(one, datetime) else one

    def rows(frame: pl.DataFrame) -> list[Row]:
        return [{name: value(one) for name, one in row.items()} for row in frame.iter_rows(named=True)]

    return {
        "job": review.job.model_dump(),
        "start": value(review.start),
        "time_zone": review.zone,
        "currency": review.currency,
        "machines": rows(review.machines),
        "stock": rows(review.stock),
        "paying": rows(review.paying),
        "curve": rows(review.curve),
        "cautions": list(CAUTIONS),
    }


def sawing_as_data(review: SawingReview) -> dict[str, Any]:
    """The sawing table as plain values: job, machine, lengths, pieces as a list of rows, advice."""
    told = {name: value for name, value in vars(review).items() if name != "pieces"}
    return {**told, "pieces": review.pieces.to_dicts()}
