"""Stops of one cause beside the hours that machines ran: who ran for how long, and when it stopped.

Hours are those of spans producing or reloading: a machine that stands cannot fail again. Each stretch and each stop
gets the name of its group in every dimension; null where nobody told. They fall into shifts by their instant.
"""

from typing import Final

import polars as pl

from runlog.errors import RunlogError
from runlog.figures.groups import SHIFT, in_shifts
from runlog.figures.reload_groups import text_of_number
from runlog.figures.window import Facts
from runlog.schema import NO_JOB
from runlog.site import Site

DIMENSIONS: Final = (
    "plant", "machine", "job", "diameter", "material", "feed mode", "bar lot", "liner", "pusher", "shift name",
    "presence",
)  # fmt: skip
"""What stops are grouped by, one at a time."""
_RUNNING: Final = ("producing", "reloading")


def causes_named(site: Site, name: str) -> list[str]:
    """Causes that are meant by the name of a cause or of a group of causes.

    Raises
    ------
    RunlogError
        There is no such cause or group.
    """
    groups = {cause: site.cause_group(cause) for cause in site.cause_groups}
    if name in groups:
        return [name]
    named = [cause for cause, group in groups.items() if group == name]
    if not named:
        raise RunlogError(f"--cause: {name!r} found, one of these expected: {', '.join(groups)}; or a group of them: "
                          f"{', '.join(dict.fromkeys(groups.values()))}")  # fmt: skip
    return named


def running(facts: Facts, site: Site) -> pl.LazyFrame:
    """Stretches in which machines ran, each in one shift.

    Returns
    -------
    LazyFrame
        machine, start, end, shift_date, shift, hours, and a text column for each of DIMENSIONS.
    """
    return _grouped(stretches(facts), facts, site).select(
        "machine", "start", "end", "shift_date", "shift", "hours", *[name for name in DIMENSIONS if name != "machine"]
    )


def stretches(facts: Facts) -> pl.LazyFrame:
    """The same without what they are grouped by."""
    shifts = (
        facts["shift_plans"]
        .select("machine", "shift_date", "shift", "attended", "shift_start")
        .sort("machine", "shift_start")
        .with_columns(
            number=pl.int_range(pl.len()).over("machine"), until=pl.col("shift_start").shift(-1).over("machine")
        )
    )
    begins = shifts.select("machine", "number", "shift_start")
    spans = (
        facts["spans"]
        .filter(pl.col("kind").is_in(_RUNNING))
        .with_columns(last=pl.col("end") - pl.duration(microseconds=1))
    )
    placed = _last_before(
        _last_before(spans, begins.rename({"number": "to"}), "last"), begins.rename({"number": "of"}), "start"
    )
    pieces = (
        placed.filter(pl.col("to").is_not_null())
        .with_columns(number=pl.int_ranges(pl.col("of").fill_null(0), pl.col("to") + 1))
        .explode("number", empty_as_null=False)
        .join(shifts, on=["machine", "number"])
        .with_columns(
            start=pl.max_horizontal("start", "shift_start"),
            end=pl.min_horizontal("end", "until"),
        )
    )
    hours = (pl.col("end") - pl.col("start")).dt.total_microseconds() / 3.6e9
    return pieces.with_columns(hours=hours)


def spans_near(facts: Facts, within: pl.Expr) -> Facts:
    """Facts with the spans that can fall into some shifts: a year has many others. A shift lasts until the next."""
    until = pl.col("shift_start").shift(-1).over("machine", order_by="shift_start")
    first, last, to_the_end = (
        facts["shift_plans"]
        .with_columns(until=until)
        .filter(within)
        .select(
            first=pl.col("shift_start").min(), last=pl.col("until").max(), to_the_end=pl.col("until").is_null().any()
        )
        .collect()
        .row(0)
    )
    if first is None:
        return facts
    spans = facts["spans"].filter(pl.col("end") > first)
    return {**facts, "spans": spans if to_the_end else spans.filter(pl.col("start") < last)}


def stopped(facts: Facts, site: Site, causes: list[str]) -> pl.LazyFrame:
    """Stops of some causes: machine, start, cause, shift_date, shift, and a text column for each of DIMENSIONS."""
    return grouped_stops(facts, site, causes).select(
        "machine", "start", "cause", "shift_date", "shift", *[name for name in DIMENSIONS if name != "machine"]
    )


def grouped_stops(facts: Facts, site: Site, causes: list[str]) -> pl.LazyFrame:
    """The same with all that STOPS tells of each."""
    found = facts["stops"].filter(pl.col("cause").is_in(causes))
    placed = in_shifts(found, facts["shift_plans"], at="start")
    attended = facts["shift_plans"].select(*SHIFT, "attended")
    placed = placed.join(attended, on=SHIFT, how="left")
    return _grouped(placed, facts, site)


def fault_rows(stretches: pl.DataFrame, stops: pl.DataFrame) -> pl.DataFrame:
    """Stretches as hours and stops as faults, as `Tally.of` takes them."""
    keys = list(dict.fromkeys(("machine", "shift_date", "shift", *DIMENSIONS)))
    return pl.concat(
        [
            stretches.select(*keys, faults=pl.lit(0, pl.Int64), chances=pl.col("hours")),
            stops.select(*keys, faults=pl.lit(1, pl.Int64), chances=pl.lit(0.0)),
        ]
    )


def _last_before(rows: pl.LazyFrame, known: pl.LazyFrame, at: str) -> pl.LazyFrame:
    return (
        rows.sort(at)
        .join_asof(
            known.sort("shift_start"),
            left_on=at,
            right_on="shift_start",
            by="machine",
            check_sortedness=False,
            coalesce=False,
        )
        .drop("shift_start")
    )


def _grouped(rows: pl.LazyFrame, facts: Facts, site: Site) -> pl.LazyFrame:
    jobs = pl.LazyFrame(
        [(one.name, one.diameter_mm, one.material, one.feed_mode) for one in site.jobs],
        schema={"job": pl.String(), "diameter_mm": pl.Float64(), "material": pl.String(), "feed mode": pl.String()},
        orient="row",
    )
    noted = facts["reloads"].select("machine", "lot", "liner", "pusher", noted_at="start").sort("noted_at")
    known = rows.sort("start").join_asof(
        noted, left_on="start", right_on="noted_at", by="machine", check_sortedness=False
    )
    return known.join(jobs, on="job", how="left", maintain_order="left").with_columns(
        pl.when(pl.col("job") != NO_JOB).then("job").alias("job"),
        plant=pl.lit("all"),
        diameter=text_of_number("diameter_mm", " mm"),
        presence=pl.when("attended").then(pl.lit("attended")).otherwise(pl.lit("unattended")),
        **{"bar lot": pl.col("lot"), "shift name": pl.col("shift")},
    )
