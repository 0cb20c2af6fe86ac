"""The loss account as steps from what was planned to what was made.

steps = staircase(review.account, review.losses)
"""

from typing import Final

import polars as pl

STEPS: Final = pl.Schema(
    {
        "place": pl.Int64(),
        "step": pl.String(),
        "kind": pl.String(),
        "top": pl.Float64(),
        "bottom": pl.Float64(),
        "parts": pl.Float64(),
    }
)
"""place from 0; step (what it is called); kind: planned, lost, gained or made; top and bottom, from where to where it
reaches [parts]; parts lost (a gain is negative), or those planned or made."""

SHOWN: Final = 9


def staircase(account: pl.DataFrame, losses: pl.DataFrame, shown: int = SHOWN) -> pl.DataFrame:
    """From planned to made parts, the costliest loss first.

    Parameters
    ----------
    account : DataFrame
        `losses.loss_sums` of one group: one row.
    losses : DataFrame
        `losses.pareto` of the same group.
    shown : int
        So many losses have a step of their own; the others are one.

    Returns
    -------
    DataFrame
        STEPS; none without a plan. Made = planned - all that was lost against plan: good parts where quality was
        measured of all, else parts less the scrap that is known.
    """
    if account.is_empty() or account["planned_parts"][0] is None:
        return pl.DataFrame(schema=STEPS)
    planned, good = account.select("planned_parts", "good_parts").row(0)
    lost = losses.filter(pl.col("lost_parts").is_not_null() & (pl.col("lost_parts") != 0)).select(
        step=_name(), parts="lost_parts"
    )
    ranked = lost.sort(pl.col("parts").abs(), "step", descending=[True, False])
    rest = account["lost_parts"][0] - ranked.head(shown)["parts"].sum()
    more = pl.DataFrame({"step": ["all others"], "parts": [rest]}).filter(pl.col("parts").abs() >= 0.05)
    steps = pl.concat([ranked.head(shown).sort("parts", descending=True), more])
    bottom = planned - pl.col("parts").cum_sum()
    kind = pl.when(pl.col("parts") >= 0).then(pl.lit("lost")).otherwise(pl.lit("gained"))
    middle = steps.with_columns(kind=kind, bottom=bottom, top=bottom + pl.col("parts"))
    made = planned - account["lost_parts"][0]
    ends = pl.DataFrame(
        {
            "step": ["planned", "good parts" if good is not None else _made(losses)],
            "kind": ["planned", "made"],
            "top": [planned, made],
            "bottom": [0.0, 0.0],
            "parts": [planned, made],
        }
    )
    return (
        pl.concat([ends.head(1), middle.select(ends.columns), ends.tail(1)])
        .with_row_index("place")
        .select(pl.col(name).cast(dtype) for name, dtype in STEPS.items())
    )


def _made(losses: pl.DataFrame) -> str:
    scrap = losses.filter(pl.col("line") == "scrap", pl.col("lost_parts") > 0)
    return "parts made" if scrap.is_empty() else "made less known scrap"


def _name() -> pl.Expr:
    minor = pl.format("minor: {}", "cause")
    return (
        pl.when(pl.col("line") == "stops")
        .then("cause")
        .when(pl.col("line") == "minor stops")
        .then(minor)
        .otherwise("line")
    )
