"""Quality from scrap lists: the shifts a list names are measured, whatever the counters of their machines tell.

facts = with_scrap(store.facts(), store.held("scrap"))
scrap_problems(store.facts(), store.held("scrap"))
"""

import polars as pl

from runlog.figures.groups import SHIFT
from runlog.figures.rollup import KEY
from runlog.figures.window import Facts


def with_scrap(facts: Facts, scrap: pl.LazyFrame) -> Facts:
    """Facts whose shift figures count the scrap of lists.

    Parameters
    ----------
    facts : mapping of str to LazyFrame
        Fact tables by name.
    scrap : LazyFrame
        SCRAP.

    Returns
    -------
    mapping of str to LazyFrame
        The same, with good_parts of shift_figures = parts - scrap in the shifts that a list names: a person's word
        stands over a counter's. More scrap than parts leaves the row not measured; see `scrap_problems`.
    """
    named, quantities = _summed(scrap)
    left = pl.col("parts") - pl.col("_scrap").fill_null(0)
    figures = facts["shift_figures"]
    measured = (
        figures.join(named, on=SHIFT, how="left", maintain_order="left")
        .join(quantities, on=list(KEY), how="left", maintain_order="left")
        .with_columns(
            good_parts=pl.when(~pl.col("_named").fill_null(False)).then("good_parts").when(left >= 0).then(left)
        )
        .select(figures.collect_schema().names())
    )
    return {**facts, "shift_figures": measured}


def scrap_problems(facts: Facts, scrap: pl.LazyFrame) -> pl.DataFrame:
    """Scrap that does not fit the log.

    Returns
    -------
    DataFrame
        machine, shift_date, shift, job, scrap, parts (null: the log knows no such job there), counted (bad parts by the
        machine's own counter; null without one), problem.
    """
    _, quantities = _summed(scrap)
    figures = facts["shift_figures"].select(*KEY, "parts", counted=pl.col("parts") - pl.col("good_parts"))
    problem = (
        pl.when(pl.col("parts").is_null() & (pl.col("_scrap") > 0))
        .then(pl.lit("the log knows no such job in that shift"))
        .when(pl.col("_scrap") > pl.col("parts"))
        .then(pl.lit("more scrap than parts: not measured"))
        .when(pl.col("counted") != pl.col("_scrap"))
        .then(pl.lit("the machine counted another number of bad parts; the list stands"))
    )
    return (
        quantities.join(figures, on=list(KEY), how="left")
        .with_columns(problem=problem)
        .filter(pl.col("problem").is_not_null())
        .sort(KEY)
        .select(*KEY, "parts", "counted", "problem", scrap="_scrap")
        .collect()
    )


def _summed(scrap: pl.LazyFrame) -> tuple[pl.LazyFrame, pl.LazyFrame]:
    named = scrap.select(SHIFT).unique().with_columns(_named=pl.lit(True))
    return named, scrap.group_by(KEY).agg(_scrap=pl.col("quantity").sum())
