"""Into how many equal pieces to saw a bought bar: fewer reloads against less waste against what the feeder takes.

    bought = pieces x (top cut + n x pitch + remnant) + cuts x kerf + offcut

Long pieces leave fewer remnants and ask for fewer reloads, so the longest the feeder takes are mostly the best in
both; rounding down to whole parts can turn that round, and then the two are weighed.
"""

from typing import Final

import polars as pl

from runlog.plan.job import cycle_per_part_s, pitch_um
from runlog.plan.lengths import left_of, parts_from, um
from runlog.plan.limits import endurance_s, standard_time_s
from runlog.site import Job, Site

_SETTABLE_UM: Final = 100
"""A saw's stop is set to the tenth of a millimetre (common practice). [um]"""

SAWING_ABOUT: Final = {
    "rank": "1 is the best of those that fit; null where it does not",
    "pieces": "equal pieces from a bought bar",
    "piece_mm": "length of each [mm]",
    "too_long_mm": "by how much it is longer than the feeder takes; null where it fits [mm]",
    "parts_per_piece": "parts from one piece",
    "parts_per_bought": "parts from a bought bar",
    "remnant_mm": "planned remnant of one piece [mm]",
    "offcut_mm": "left over as pieces are cut to the tenth of a millimetre [mm]",
    "remnant_share": "remnants over the bought length",
    "waste_share": "all that is not part, parting or facing over the bought length: remnants, top cuts, kerfs, offcut",
    "stock_per_part_mm": "bought length over the parts from it [mm]",
    "reloads_per_100": "reloads per 100 parts",
    "standard_time_s": "planned run time per item, ISO 22400-2 PRI [s]",
    "magazine_parts": "parts from a full magazine; null without a feeder",
    "endurance_s": "how long a full magazine lasts [s]; null without a feeder",
    "beaten_by": "number of pieces that is no worse in reloads and stock and better in one; null if none fits so",
    "verdict": "best in both, fewest reloads, least waste, between, beaten, too long",
}
"""Columns of `sawing_table`."""


def sawing_table(
    site: Site,
    machine: str,
    job: Job,
    *,
    bought_mm: float | None = None,
    kerf_mm: float | None = None,
    longest_mm: float | None = None,
) -> pl.DataFrame:
    """Every number of equal pieces that gives at least one part each, the best on top.

    Ranked among those the feeder takes: first those that no other beats, then by stock per part, then by reloads. The
    countdown preset of the job is left out, as another length asks for another one.

    Parameters
    ----------
    site : Site
    machine : str
        Whose feeder takes the pieces.
    job : Job
    bought_mm, kerf_mm : float, optional
        Length of a bought bar, and what a cut takes; the site's. [mm]
    longest_mm : float, optional
        Longest piece that can be loaded; the feeder's. Without a feeder nothing limits. [mm]

    Returns
    -------
    DataFrame
        SAWING_ABOUT; empty where not even the whole bar gives a part.
    """
    bought = um(site.sawing.bought_mm if bought_mm is None else bought_mm)
    kerf = um(site.sawing.kerf_mm if kerf_mm is None else kerf_mm)
    feeder = site.machine(machine).feeder
    if longest_mm is None and feeder:
        longest_mm = feeder.longest_bar_mm
    cut = _cut(bought, kerf, job, um(site.minimum_remnant_mm(machine, job)))
    reload_s = site.planned_reload_s(machine, job) or 0.0
    held = pl.lit(feeder.bars_held if feeder else None, pl.Int64)
    told = cut.with_columns(
        piece_mm=pl.col("piece") / 1000,
        too_long_mm=_too_long(longest_mm),
        parts_per_piece=pl.col("n"),
        parts_per_bought=pl.col("pieces") * pl.col("n"),
        remnant_mm=pl.col("remnant") / 1000,
        offcut_mm=pl.col("offcut") / 1000,
        remnant_share=pl.col("pieces") * pl.col("remnant") / bought,
        waste_share=1 - pl.col("pieces") * pl.col("n") * pitch_um(job) / bought,
        stock_per_part_mm=bought / 1000 / (pl.col("pieces") * pl.col("n")),
        reloads_per_100=100 / pl.col("n"),
        standard_time_s=standard_time_s(pl.lit(cycle_per_part_s(job)), pl.lit(reload_s), pl.col("n")),
        magazine_parts=held * pl.col("n"),
        endurance_s=endurance_s(pl.lit(0), held, pl.col("n"), pl.lit(cycle_per_part_s(job)), pl.lit(reload_s)),
    )
    return _ranked(told).select(*SAWING_ABOUT).collect()


def _cut(bought: int, kerf: int, job: Job, minimum_remnant: int) -> pl.LazyFrame:
    """pieces, piece, n, remnant and offcut for every number of pieces that gives a part each. [um]"""
    pitch, top_cut = pitch_um(job), um(job.top_cut_mm)
    most = (bought + kerf) // (top_cut + minimum_remnant + pitch + kerf)
    pieces = pl.col("pieces")
    available = bought - (pieces - 1) * kerf
    return (
        pl.LazyFrame({"pieces": range(1, most + 1)}, schema={"pieces": pl.Int64})
        .with_columns(piece=available // pieces // _SETTABLE_UM * _SETTABLE_UM)
        .with_columns(offcut=available - pieces * pl.col("piece"))
        .with_columns(n=parts_from(pl.col("piece"), top_cut, minimum_remnant, pitch))
        .filter(pl.col("n") >= 1)
        .with_columns(remnant=left_of(pl.col("piece"), top_cut, pl.col("n"), pitch))
    )


def _too_long(longest_mm: float | None) -> pl.Expr:
    if longest_mm is None:
        return pl.lit(None, pl.Float64)
    over = pl.col("piece") - um(longest_mm)
    return pl.when(over > 0).then(over / 1000)


def _ranked(told: pl.LazyFrame) -> pl.LazyFrame:
    fits = pl.col("too_long_mm").is_null()
    # From the fewest reloads on, whoever does not get more parts from a bought bar than all before is beaten.
    in_order = told.sort(fits, "n", "parts_per_bought", descending=True).with_columns(
        best_before=pl.when(fits).then(pl.col("parts_per_bought")).cum_max().shift(1)
    )
    beaten = fits & (pl.col("parts_per_bought") <= pl.col("best_before")).fill_null(False)
    by_whom = pl.when(fits & ~beaten).then(pl.col("pieces")).forward_fill()
    most_parts = pl.col("parts_per_bought").filter(fits).max()
    most_per_piece = pl.col("n").filter(fits).max()
    least_waste = pl.col("parts_per_bought") == most_parts
    fewest_reloads = pl.col("n") == most_per_piece
    verdict = (
        pl.when(~fits)
        .then(pl.lit("too long"))
        .when(beaten)
        .then(pl.lit("beaten"))
        .when(least_waste & fewest_reloads)
        .then(pl.lit("best in both"))
        .when(fewest_reloads)
        .then(pl.lit("fewest reloads"))
        .when(least_waste)
        .then(pl.lit("least waste"))
        .otherwise(pl.lit("between"))
    )
    return (
        in_order.with_columns(verdict=verdict, beaten_by=pl.when(beaten).then(by_whom))
        .sort(~fits, beaten, "stock_per_part_mm", "reloads_per_100")
        .with_columns(rank=pl.when(fits).then(pl.int_range(1, pl.len() + 1)))
    )
