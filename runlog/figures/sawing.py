"""Into how many pieces to saw a bought bar, with the trade-off in words.

review = sawing_review(site, "bush 4711")
review.pieces        # plan.sawing.SAWING_ABOUT, the best on top
review.advice        # fewer reloads against less waste against what fits, a sentence each
"""

from dataclasses import dataclass
from typing import Any, Final

import polars as pl

from runlog.figures.planning import job_named, machines_named
from runlog.plan.job import plan_job
from runlog.plan.sawing import sawing_table
from runlog.site import Job, Site

Row = dict[str, Any]

PARTS_COMPARED: Final = 1000
"""Parts over which two ways of sawing are compared in words."""


@dataclass(frozen=True)
class SawingReview:
    """Ways to saw a bought bar for a job.

    Attributes
    ----------
    job, machine : str
        Names; the machine whose feeder takes the pieces.
    bought_mm, kerf_mm : float
        Length of a bought bar and what a cut takes. [mm]
    longest_mm : float or None
        Longest piece that can be loaded; None where nothing limits. [mm]
    bars_held : int or None
        Pieces a full magazine holds; None without a feeder.
    pieces : DataFrame
        `plan.sawing.SAWING_ABOUT`.
    advice : list of str
        The trade-off, a sentence each.
    """

    job: str
    machine: str
    bought_mm: float
    kerf_mm: float
    longest_mm: float | None
    bars_held: int | None
    pieces: pl.DataFrame
    advice: list[str]


def sawing_review(
    site: Site,
    job: str,
    *,
    machine: str | None = None,
    bought_mm: float | None = None,
    kerf_mm: float | None = None,
    longest_mm: float | None = None,
) -> SawingReview:
    """Compare the ways to saw a bought bar into equal pieces.

    Parameters
    ----------
    site : Site
    job : str
        Its name in the site file.
    machine : str, optional
        Whose feeder takes the pieces; the first of the site if not given.
    bought_mm, kerf_mm, longest_mm : float, optional
        The site's, and the feeder's, if not given. [mm]

    Raises
    ------
    RunlogError
        The site knows no such job or machine; the message names those it knows.
    """
    known = job_named(site, job)
    names = machines_named(site, machine)
    feeder = site.machine(names[0]).feeder
    bought = site.sawing.bought_mm if bought_mm is None else bought_mm
    kerf = site.sawing.kerf_mm if kerf_mm is None else kerf_mm
    longest = longest_mm if longest_mm is not None or feeder is None else feeder.longest_bar_mm
    pieces = sawing_table(site, names[0], known, bought_mm=bought, kerf_mm=kerf, longest_mm=longest)
    return SawingReview(
        job=known.name,
        machine=names[0],
        bought_mm=bought,
        kerf_mm=kerf,
        longest_mm=longest,
        bars_held=feeder.bars_held if feeder else None,
        pieces=pieces,
        advice=_advice(site, names, known, pieces, longest),
    )


def _advice(site: Site, names: list[str], job: Job, pieces: pl.DataFrame, longest_mm: float | None) -> list[str]:
    if not pieces.height:
        return [f"No part fits: a bought bar is shorter than top cut, minimum remnant and one part of {job.name}."]
    fitting = pieces.filter(pl.col("rank").is_not_null() & pl.col("beaten_by").is_null())
    said = [_of_those_that_fit(site, names[0], job, fitting)]
    too_long = pieces.filter(pl.col("rank").is_null()).sort("pieces", descending=True)
    if too_long.height and longest_mm is not None:
        said.append(_of_the_next_longer(too_long.row(0, named=True), fitting, longest_mm))
    if job.parts_per_bar is not None:
        said.append(f"The countdown, preset to {job.parts_per_bar} a bar, has to be set anew for a piece.")
    others = [name for name in names[1:] if site.machine(name).feeder != site.machine(names[0]).feeder]
    if others:
        said.append(f"Other feeders, other pieces: --machine for {', '.join(others)}.")
    return said


def _of_those_that_fit(site: Site, machine: str, job: Job, fitting: pl.DataFrame) -> str:
    if not fitting.height:
        return "None fits: every piece that gives a part is longer than the feeder takes."
    least, fewest = fitting.row(0, named=True), fitting.sort("reloads_per_100").row(0, named=True)
    if least == fewest:
        return (
            f"{_named(least)} are best in both: {least['parts_per_bought']} parts from a bought bar, the most, and "
            f"{least['reloads_per_100']:.1f} reloads per 100 parts, the fewest of those that fit."
        )
    plan = plan_job(site, machine, job)
    more = (least["reloads_per_100"] - fewest["reloads_per_100"]) / 100 * PARTS_COMPARED
    saved_mm = (fewest["stock_per_part_mm"] - least["stock_per_part_mm"]) * PARTS_COMPARED
    saved = [f"{saved_mm / 1000:.1f} m", f"{saved_mm * plan.mass_kg_per_mm:.1f} kg"]
    if plan.price_per_kg is not None:
        saved.append(f"{saved_mm * plan.mass_kg_per_mm * plan.price_per_kg:.2f} {site.site.currency}")
    return (
        f"{_named(fewest)} ask for the fewest reloads, {_named(least)} waste least: over {PARTS_COMPARED} parts the "
        f"latter save {', '.join(saved)} of stock for {more:.0f} reloads ({more * plan.reload_s / 60:.0f} min) more."
    )


def _of_the_next_longer(longer: Row, fitting: pl.DataFrame, longest_mm: float) -> str:
    said = f"{_named(longer)} do not fit, {longer['too_long_mm']:.1f} mm longer than the {longest_mm:g} mm that can be "
    if not fitting.height:
        return f"{said}loaded."
    best = fitting.row(0, named=True)
    return (
        f"{said}loaded; they would waste {longer['waste_share']:.1%} instead of {best['waste_share']:.1%} and ask for "
        f"{longer['reloads_per_100']:.1f} reloads per 100 parts instead of {best['reloads_per_100']:.1f}."
    )


def _named(row: Row) -> str:
    count = "The whole bar" if row["pieces"] == 1 else f"{row['pieces']} pieces"
    return f"{count} of {row['piece_mm']:.1f} mm"
