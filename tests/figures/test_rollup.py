"""Roll-ups: sums over sums by any grouping, the measured part of them, and an account that always closes."""

from datetime import date

import polars as pl
import pytest
from figures.shop import shop, week_of
from hypothesis import given, settings
from hypothesis import strategies as st

from runlog.figures.account import loss_account
from runlog.figures.groups import GROUPS, columns_of, with_groups
from runlog.figures.losses import grouped, loss_rows, loss_sums, pareto
from runlog.figures.ratios import RATIOS, SHARES
from runlog.figures.rollup import TOTALS, rolled_up, summed, totals, with_ratios
from runlog.schema import SHIFT_FIGURES, SHIFT_LOSSES
from runlog.site import parse_site

SITE = parse_site(
    '[site]\nname = "Shop"\ntime_zone = "UTC"\n'
    + "".join(f'[[machine]]\nname = "{m}"\ncell = "{c}"\n' for m, c in (("T01", "a"), ("T02", "a"), ("T03", "b")))
)
KINDS = (
    "producing_s",
    "reload_planned_s",
    "reload_overrun_s",
    "setting_s",
    "stopped_s",
    "minor_stops_s",
    "no_signal_s",
)


# --- by hand -------------------------------------------------------------------------------------


def rows(*given: dict) -> pl.LazyFrame:
    """SHIFT_FIGURES; what is not given is 0, or null where null means not measured."""
    nulls = ("good_parts", "pri_s", "main_turning_s", "sub_turning_s", "both_turning_s", "reloads_timed_planned_s")
    blank = {
        name: 0 if column.dtype.is_numeric() and name not in nulls else None
        for name, column in SHIFT_FIGURES.columns.items()
    } | {"machine": "T01", "shift_date": date(2026, 1, 12), "shift": "day", "job": "pin"}
    return pl.LazyFrame([blank | one for one in given], schema=SHIFT_FIGURES.schema)


def test_quality_of_a_roll_up_is_that_of_the_measured_part():
    """T01: 90 of 100 good; T02: 300 made, nobody looked. Quality 90 % of a quarter of the parts, GQ not known."""
    both = rows(
        {"parts": 100, "good_parts": 90, "pri_s": 10, "pbt_s": 2000, "apt_s": 1500},
        {"machine": "T02", "parts": 300, "pri_s": 10, "pbt_s": 6000, "apt_s": 3000},
    )
    got = rolled_up(both).collect().row(0, named=True)
    assert (got["quality_ratio"], got["quality_share"], got["good_parts"]) == (0.9, 0.25, None)
    # OEE of T01 alone, 900 / 2000, which is a quarter of the planned time; A x E of both, 4000 / 8000.
    assert (got["oee_index"], got["oee_share"]) == (0.45, 0.25)
    assert got["availability_x_effectiveness"] == 0.5


def test_not_measured_all_the_way_up():
    got = rolled_up(rows({"parts": 5, "pri_s": 10, "pbt_s": 100, "apt_s": 90})).collect().row(0, named=True)
    unknown = ("quality_ratio", "scrap_ratio", "oee_index", "nee_index", "main_utilisation", "both_spindles", "mttr_s")
    assert [got[name] for name in unknown] == [None] * len(unknown)
    assert (got["quality_share"], got["main_share"]) == (0, 0)


def test_a_shift_without_parts_hides_no_quality():
    """100 parts, 99 good; another shift stood still: 99 %, measured of all."""
    got = rolled_up(rows({"parts": 100, "good_parts": 99, "pri_s": 1, "pbt_s": 200}, {"shift": "late", "pbt_s": 50}))
    row = got.collect().row(0, named=True)
    assert (row["quality_ratio"], row["quality_share"], row["good_parts"]) == (0.99, 1, 99)


def test_time_of_no_job_counts_where_no_part_was_made_in_it():
    """100 s of a job, 50 s standing with none: A x E is 80 / 150, of all the time; a part of no job ends that."""
    job = {"parts": 8, "pri_s": 10, "pbt_s": 100, "apt_s": 80}
    idle = {"job": "no job", "pbt_s": 50}
    got = rolled_up(rows(job, idle)).collect().row(0, named=True)
    assert (got["availability_x_effectiveness"], got["standard_share"]) == (80 / 150, 1)
    got = rolled_up(rows(job, idle | {"parts": 1})).collect().row(0, named=True)
    assert (got["availability_x_effectiveness"], got["standard_share"]) == (0.8, 100 / 150)
    assert got["pri_parts_s"] is None


def test_reload_times_and_failures_are_sums_over_sums():
    """3 bar changes in 120 s and 1 in 80 s: 50 s mean, not 60; 2 failures in 900 s and 1 in 300 s: MTTR 400 s."""
    two = rows(
        {"reloads_timed": 3, "reloads_timed_s": 120, "reloads_timed_planned_s": 90, "failures": 2, "failures_s": 900},
        {"reloads_timed": 1, "reloads_timed_s": 80, "failures": 1, "failures_s": 300, "apt_s": 3000, "setting_s": 600},
    )
    got = rolled_up(two).collect().row(0, named=True)
    assert (got["reload_mean_s"], got["mttr_s"], got["time_between_failures_s"]) == (50, 400, 1200)
    assert got["reload_planned_mean_s"] == 30  # of those three that had a plan


def test_both_spindles_are_of_machines_that_have_two():
    """T01 turns 60 main, 40 sub, 20 both: 20 of 80. T02 has no sub-spindle and counts for its main one only."""
    two = rows(
        {"pbt_s": 100, "main_turning_s": 60, "sub_turning_s": 40, "both_turning_s": 20},
        {"machine": "T02", "pbt_s": 100, "main_turning_s": 90},
    )
    got = rolled_up(two).collect().row(0, named=True)
    assert (got["main_utilisation"], got["sub_utilisation"], got["both_spindles"]) == (0.75, 0.4, 0.25)
    assert (got["main_share"], got["sub_share"]) == (1, 0.5)


# --- any grouping --------------------------------------------------------------------------------

counts = st.integers(0, 300)
eighths = st.integers(0, 80_000).map(lambda n: n / 8)


@st.composite
def shifts(draw) -> dict:
    """A row of shift figures whose seconds add up, with parts, quality, spindles measured or not."""
    row = {name: draw(eighths) for name in KINDS}
    parts = draw(counts)
    measured = draw(st.booleans())
    turning = draw(st.one_of(st.none(), eighths))
    return row | {
        "machine": draw(st.sampled_from(["T01", "T02", "T03"])),
        "shift_date": draw(st.dates(date(2026, 12, 20), date(2027, 1, 10))),
        "shift": draw(st.sampled_from(["early", "night"])),
        "job": draw(st.sampled_from(["pin", "cap"])),
        "pbt_s": sum(row.values()),
        "apt_s": row["producing_s"] + row["reload_planned_s"],
        "parts": parts,
        "good_parts": draw(st.integers(0, parts)) if measured else None,
        "parts_unseen": draw(st.integers(0, min(parts, 3))),
        "pri_s": draw(st.sampled_from([None, 10.0, 76.5])),
        "main_turning_s": turning,
        "failures": draw(st.integers(0, 2)),
        "failures_s": draw(eighths),
    }


tables = st.lists(
    shifts(), min_size=1, max_size=12, unique_by=lambda r: (r["machine"], r["shift_date"], r["shift"], r["job"])
)
groupings = st.lists(st.sampled_from(GROUPS), unique=True, max_size=3).map(tuple)
SOME = settings(deadline=None, max_examples=60)


def same(one: pl.DataFrame, other: pl.DataFrame, by: list[str]) -> None:
    for name in (*TOTALS, *RATIOS, *SHARES):
        left, right = (frame.sort(by)[name] if by else frame[name] for frame in (one, other))
        assert left.cast(pl.Float64).to_list() == pytest.approx(right.cast(pl.Float64).to_list(), nan_ok=True), name


@given(tables, groupings, groupings)
@SOME
def test_roll_ups_of_roll_ups_agree(table, coarse, finer):
    """Summed by any finer grouping first, the coarser one is the same, ratios and shares included."""
    all_rows = totals(with_groups(rows(*table), SITE))
    by = columns_of(coarse)
    steps = list(dict.fromkeys([*by, *columns_of(finer)]))
    direct = with_ratios(summed(all_rows, *by)).collect()
    in_steps = with_ratios(summed(summed(all_rows, *steps), *by)).collect()
    same(direct, in_steps, by)


@given(tables, groupings)
@SOME
def test_the_account_closes_for_any_grouping(table, by):
    """Its seconds add up to PBT, whether or not quality is measured, a standard known, parts made unseen."""
    figures = rows(*table)
    losses = figures.select(
        "machine", "shift_date", "shift", "job", loss=pl.lit("stops"), cause=pl.lit("misfeed"), seconds="stopped_s",
        count=pl.lit(1),
    )  # fmt: skip
    minor = (
        losses.with_columns(loss=pl.lit("minor stops"))
        .drop("seconds")
        .join(
            figures.select("machine", "shift_date", "shift", "job", seconds="minor_stops_s"),
            on=["machine", "shift_date", "shift", "job"],
        )
    )
    both = pl.concat([losses, minor.select(losses.collect_schema().names())]).cast(SHIFT_LOSSES.schema)
    account = with_groups(loss_account(figures, both).with_columns(lost_parts=pl.lit(None, pl.Float64)), SITE)
    group = columns_of(by)
    summed_up = grouped(account, by).collect()
    expected = summed(totals(with_groups(figures, SITE)), *group).collect()
    if not group:
        assert summed_up["seconds"].sum() == pytest.approx(expected["pbt_s"].item())
        return
    got = summed_up.group_by(group).agg(pl.col("seconds").sum()).join(expected, on=group)
    assert got.height == expected.height
    assert got["seconds"].to_list() == pytest.approx(got["pbt_s"].to_list(), abs=1e-6)


@given(tables, groupings)
@SOME
def test_oee_is_the_product_where_all_was_measured(table, by):
    """Availability x effectiveness x quality ratio = PRI x GQ / PBT for any grouping, nothing made unseen."""
    measured = [one | {"good_parts": one["good_parts"] or 0, "pri_s": 10.0, "parts_unseen": 0} for one in table]
    got = rolled_up(with_groups(rows(*measured), SITE), *columns_of(by)).collect()
    for row in got.iter_rows(named=True):
        if row["parts"] and row["apt_s"]:
            product = row["availability"] * row["effectiveness"] * row["quality_ratio"]
            assert product == pytest.approx(row["oee_index"])
            assert row["oee_index"] == pytest.approx(row["pri_good_s"] / row["pbt_s"])
            assert row["nee_index"] >= row["oee_index"] or row["nee_index"] == pytest.approx(row["oee_index"])


# --- losses against plan, on an invented shop ----------------------------------------------------


@pytest.mark.parametrize(
    "by", [(), ("machine",), ("job",), ("shift", "machine"), ("day",), ("week", "cell"), ("month",)]
)
def test_planned_less_made_is_what_was_lost(by):
    """Good parts (made, where nobody measured) = planned + slack - losses, to the millionth, by any grouping."""
    facts, site, _ = shop()
    period = week_of(facts, site)
    account = loss_rows(facts, site, period)
    got = loss_sums(account, by).collect()
    made = grouped(account, by).filter(pl.col("line").is_in(["good parts", "parts made"])).collect()
    assert (got["planned_parts"] + got["slack_parts"] - got["loss_parts"]).sum() == pytest.approx(made["parts"].sum())
    if "job" not in by:
        plans = with_groups(facts["shift_plans"], site).filter(
            pl.col("shift_date").is_between(period.first, period.last)
        )
        group = columns_of(by)
        planned = plans.group_by(group or "plant").agg(pl.col("planned_parts").sum()).sort(group or "plant").collect()
        assert got["planned_parts"].to_list() == pytest.approx(planned["planned_parts"].to_list())


@pytest.mark.parametrize("rank", ["time", "count", "parts"])
def test_losses_are_ranked_with_minor_stops_among_them(rank):
    facts, site, _ = shop()
    ranked = pareto(loss_rows(facts, site, week_of(facts, site)), ("machine",), rank).collect()
    column = {"time": "seconds", "count": "count", "parts": "lost_parts"}[rank]
    for one in ranked.partition_by("machine"):
        assert one["rank"].to_list() == list(range(1, one.height + 1))
        assert one[column].to_list() == sorted(one[column], reverse=True)
        assert one["running_share"][-1] == pytest.approx(1)
    assert "minor stops" in ranked["line"]
