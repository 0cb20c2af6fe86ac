"""Plans that the order system gives for a machine and shift: they go before what time, bars and order allow.

by_shift(plans, standard)         one row a machine and shift
with_given(rows)                  planned figures with the given ones in force, and where each comes from
mismatches(plans, site)           what the site file does not know, and what is more than time or bars allow
"""

from collections.abc import Iterable
from datetime import UTC, datetime, time, timedelta
from typing import Final

import polars as pl

from runlog import calendar
from runlog.plan.job import plan_job
from runlog.site import Site

COMPUTED: Final = "computed"
ORDER_SYSTEM: Final = "order system"

SHIFT: Final = ("machine", "shift_date", "shift")

_NEAR: Final = 1e-9
"""Share by which a sum may exceed its limit: sums of seconds are rounded."""


def by_shift(plans: pl.LazyFrame, standard: pl.LazyFrame) -> pl.LazyFrame:
    """What is given for each machine and shift.

    Parameters
    ----------
    plans : LazyFrame
        PLANS; rows without a quantity say that nothing is given any longer.
    standard : LazyFrame
        machine, job, standard_time_s.

    Returns
    -------
    LazyFrame
        machine, shift_date, shift, given_parts (of all jobs), first_job (in the order of the file), given_job (names,
        comma separated), given_time_s: standard time per part over the jobs, so that parts times it are the seconds
        planned [s]; null where a job is not known.
    """
    known = plans.filter(pl.col("quantity").is_not_null()).join(standard, on=["machine", "job"], how="left")
    planned_s = pl.col("quantity") * pl.col("standard_time_s")
    parts = pl.col("quantity").sum()
    per_part = pl.when(parts > 0).then(planned_s.sum() / parts).otherwise(pl.col("standard_time_s").first())
    return (
        known.sort(*SHIFT, "file", "line")
        .group_by(*SHIFT, maintain_order=True)
        .agg(
            given_parts=parts,
            first_job=pl.col("job").first(),
            given_job=pl.col("job").unique(maintain_order=True).str.join(", "),
            given_time_s=pl.when(pl.col("standard_time_s").is_not_null().all()).then(per_part),
        )
    )


def with_given(rows: pl.LazyFrame) -> pl.LazyFrame:
    """Put what is given in the place of what was computed.

    Parameters
    ----------
    rows : LazyFrame
        planned_parts and limit as computed, job, standard_time_s, run_out_at, and given_parts, given_job, given_time_s;
        null given_parts: nothing is given.

    Returns
    -------
    LazyFrame
        The rows with computed_parts (what time, bars and order allow), basis (computed, order system; null without a
        plan), and job, standard_time_s, planned_parts, limit and run_out_at of the plan in force: a given quantity that
        is allowed is bound by the order, one that is not by what it exceeds.
    """
    given = pl.col("given_parts")
    is_given = given.is_not_null()
    allowed = (given <= pl.col("planned_parts")).fill_null(True)
    in_force = rows.with_columns(
        computed_parts="planned_parts",
        planned_parts=pl.coalesce(given.cast(pl.Float64), "planned_parts"),
        limit=pl.when(is_given & allowed).then(pl.lit("order")).otherwise("limit"),
        job=pl.coalesce("given_job", "job"),
        standard_time_s=pl.when(is_given).then("given_time_s").otherwise("standard_time_s"),
    )
    basis = pl.when(is_given).then(pl.lit(ORDER_SYSTEM)).otherwise(pl.lit(COMPUTED))
    return in_force.with_columns(
        basis=pl.when(pl.col("planned_parts").is_not_null()).then(basis),
        run_out_at=pl.when(pl.col("limit") == "bars").then("run_out_at"),
    )


# --- mismatches ----------------------------------------------------------------------------------


def mismatches(plans: pl.DataFrame, site: Site) -> list[str]:
    """Where plans and site file do not fit, a line each, in the order of the file.

    Parameters
    ----------
    plans : DataFrame
        PLANS of one file.
    site : Site
    """
    rows = plans.filter(pl.col("quantity").is_not_null())
    if not rows.height:
        return []
    unknown = _unknown(rows, site)
    placed = _placed(rows.join(unknown, on="line", how="anti"), site)
    found = pl.concat([unknown, *_not_planned(placed), *_too_many(placed)])
    named = pl.format("{}: line {}: {}", pl.lit(rows["file"][0]), "line", "said")
    return found.sort("line", maintain_order=True).select(named)[:, 0].to_list()


def _unknown(rows: pl.DataFrame, site: Site) -> pl.DataFrame:
    known = {
        "machine": [machine.name for machine in site.machines],
        "shift": [shift.name for shift in site.shift or [calendar.WHOLE_DAY]],
        "job": [job.name for job in site.jobs],
    }
    return pl.concat(
        [
            rows.filter(~pl.col(name).is_in(names)).select(
                "line", said=pl.format(f"{name} '{{}}' found, one of {{}} expected", name, pl.lit(_listed(names)))
            )
            for name, names in known.items()
        ]
    )


def _listed(names: Iterable[str]) -> str:
    return ", ".join(names) or "none (the site file names none)"


def _placed(rows: pl.DataFrame, site: Site) -> pl.DataFrame:
    """Add when the shift is, its planned busy time, its window, and the job's figures on that machine."""
    if not rows.height:
        return rows.with_columns(busy_s=0.0, standard_time_s=0.0, parts_per_bar=0, bars_held=0, window=None)
    first = datetime.combine(rows["shift_date"].min(), time(0), tzinfo=UTC) - timedelta(days=2)  # type: ignore[arg-type]
    last = datetime.combine(rows["shift_date"].max(), time(0), tzinfo=UTC) + timedelta(days=3)  # type: ignore[arg-type]
    machines = rows["machine"].unique().to_list()
    length = (pl.col("end") - pl.col("start")).dt.total_microseconds() / 1e6
    busy = (
        calendar.planned(site, machines, first, last)
        .group_by(*SHIFT, "shift_start", "attended")
        .agg(busy_s=length.sum())
    )
    windows = calendar.unattended(site, first, last).select(window="window_start", window_end="window_end")
    return (
        rows.join(busy, on=list(SHIFT), how="left")
        .join(_figures(rows, site), on=["machine", "job"], how="left")
        .sort("shift_start", nulls_last=False)
        .join_asof(windows.sort("window"), left_on="shift_start", right_on="window", coalesce=False)
        .with_columns(window=pl.when(~pl.col("attended")).then("window"))
        .sort("line")
    )


def _figures(rows: pl.DataFrame, site: Site) -> pl.DataFrame:
    found = []
    for machine, name in rows.select("machine", "job").unique().iter_rows():
        job, feeder = site.job(name), site.machine(machine).feeder
        assert job is not None
        plan = plan_job(site, machine, job)
        found.append((machine, name, plan.standard_time_s, plan.parts_per_bar, feeder.bars_held if feeder else None))
    kinds = {"machine": pl.String, "job": pl.String, "standard_time_s": pl.Float64}
    kinds |= {"parts_per_bar": pl.Int64, "bars_held": pl.Int64}
    return pl.DataFrame(found, schema=kinds, orient="row")


def _not_planned(placed: pl.DataFrame) -> list[pl.DataFrame]:
    closed = placed.filter(pl.col("busy_s").is_null())
    said = pl.format(
        "{} '{}' of {} found, a shift that is planned on that day expected (days, closures)",
        "shift_date",
        "shift",
        "machine",
    )
    return [closed.select("line", said=said)]


def _too_many(placed: pl.DataFrame) -> list[pl.DataFrame]:
    of_shift = placed.filter(pl.col("busy_s").is_not_null()).with_columns(
        wanted_s=(pl.col("quantity") * pl.col("standard_time_s")).sum().over(SHIFT),
        last_line=pl.col("line").max().over(SHIFT),
    )
    by_time = of_shift.filter(
        (pl.col("line") == pl.col("last_line")) & (pl.col("wanted_s") > pl.col("busy_s") * (1 + _NEAR))
    ).select(
        "line",
        said=pl.format(
            "{} h of work found, {} h at most expected: {} holds {} parts of {}",
            (pl.col("wanted_s") / 3600).round(2),
            (pl.col("busy_s") / 3600).round(2),
            "shift",
            (pl.col("busy_s") / pl.col("standard_time_s")).floor().cast(pl.Int64),
            "job",
        ),
    )
    window = ("machine", "window")
    in_window = of_shift.filter(pl.col("window").is_not_null() & pl.col("bars_held").is_not_null())
    by_bars = (
        in_window.filter(pl.col("parts_per_bar") > 0)
        .with_columns(
            bars=(pl.col("quantity") / pl.col("parts_per_bar")).sum().over(window),
            last_line=pl.col("line").max().over(window),
        )
        .filter((pl.col("line") == pl.col("last_line")) & (pl.col("bars") > (pl.col("bars_held") + 1) * (1 + _NEAR)))
        .select(
            "line",
            said=pl.format(
                "stock of {} bars found, {} at most expected with nobody there: {} in the magazine, one in the spindle",
                pl.col("bars").round(1),
                pl.col("bars_held") + 1,
                "bars_held",
            ),
        )
    )
    return [by_time, by_bars]
