"""The bar account of any roll-up: what was loaded, what became parts, what went into the remnant bin.

    loaded = good parts + bad parts + parting and facing + top cut + remnant + unaccounted

in millimetres, kilograms and money, of bars that were finished and whose end is known; the others are counted beside
it. A remnant is measured or inferred (loaded less used; nothing is unaccounted then), and how many are which is told.
"""

from typing import Final

import polars as pl

from runlog.figures.groups import columns_of, in_shifts, with_groups
from runlog.figures.window import Facts
from runlog.site import Site

PARTS_OF_A_BAR: Final = ("loaded", "parts", "parting", "top_cut", "remnant", "unaccounted", "planned_remnant")
"""Lengths of the account; each has a column `_mm`, `_kg` and `_cost`."""

STOCK_GROUPS: Final = ("material", "diameter", "lot")
"""What the account can be grouped by besides GROUPS."""


ACCOUNTED: Final = pl.all_horizontal(pl.col("loaded_mm", "used_mm", "remnant_mm").is_not_null())
"""Whether a bar of BARS has an account: it is known what was loaded, used and left."""


def bar_rows(facts: Facts, site: Site) -> pl.LazyFrame:
    """Every bar in its shift (that of its end), with its account in mm, kg and money, ready to be grouped.

    Returns
    -------
    LazyFrame
        BARS, shift_date, shift and the groups; diameter and lot as text; for each of PARTS_OF_A_BAR `_mm`, `_kg`,
        `_cost`, null in bars that have no account; `accounted`.
    """
    bars = with_groups(in_shifts(facts["bars"], facts["shift_plans"], at="finished_at"), site)
    lengths = {name: pl.col(f"{name}_mm") for name in PARTS_OF_A_BAR} | {
        "unaccounted": pl.col("unaccounted_mm").fill_null(0.0)
    }
    told = bars.with_columns(accounted=ACCOUNTED).with_columns(
        *(pl.when("accounted").then(length).alias(f"{name}_mm") for name, length in lengths.items()),
        diameter=pl.format("{} mm", pl.col("diameter_mm")),
        lot=pl.col("lot").fill_null("not noted"),
        material=pl.col("material").fill_null("not known"),
    )
    kg = [(pl.col(f"{name}_mm") * pl.col("kg_per_mm")).alias(f"{name}_kg") for name in PARTS_OF_A_BAR]
    cost = [(pl.col(f"{name}_kg") * pl.col("price_per_kg")).alias(f"{name}_cost") for name in PARTS_OF_A_BAR]
    return told.with_columns(kg).with_columns(cost)


def bar_account(rows: pl.LazyFrame, by: tuple[str, ...]) -> pl.LazyFrame:
    """The account summed over a grouping by GROUPS and STOCK_GROUPS.

    Returns
    -------
    LazyFrame
        The grouping's columns; bars (with an account), bars_unknown (without), bars_measured, bars_inferred (remnant),
        bars_short (fewer parts than planned), parts, planned_parts; PARTS_OF_A_BAR in mm, kg and money (kg null where
        no mass is known, money where no price is known); good_mm (null unless all quality was measured);
        remnant_share and planned_remnant_share (of the stock loaded), parts_share.
    """
    group = columns(by)
    with_account = pl.col("accounted")
    sums = [
        (pl.col(f"{name}_mm").sum() if unit == "mm" else _if_all(f"{name}_{unit}")).alias(f"{name}_{unit}")
        for unit in ("mm", "kg", "cost")
        for name in PARTS_OF_A_BAR
    ]
    rated = pl.col("good_mm").is_not_null() | (pl.col("parts") == 0) | ~with_account
    counted = [
        with_account.sum().alias("bars"),
        (~with_account).sum().alias("bars_unknown"),
        (with_account & (pl.col("remnant_basis") == "measured")).sum().alias("bars_measured"),
        (with_account & (pl.col("remnant_basis") == "inferred")).sum().alias("bars_inferred"),
        (with_account & (pl.col("parts") < pl.col("planned_parts"))).sum().alias("bars_short"),
        pl.col("parts").filter(with_account).sum(),
        pl.col("planned_parts").filter(with_account).sum(),
        pl.when(rated.all() & pl.col("good_mm").is_not_null().any()).then(
            pl.col("good_mm").filter(with_account).sum()
        ).alias("good_mm"),
    ]  # fmt: skip
    summed = rows.group_by(group).agg(*counted, *sums).sort(group) if group else rows.select(*counted, *sums)
    return summed.with_columns(share_of_stock(part) for part in ("remnant", "planned_remnant", "parts"))


def share_of_stock(part: str) -> pl.Expr:
    """One of PARTS_OF_A_BAR as share of the stock loaded, `remnant_share` and so on, of lengths that were summed."""
    loaded = pl.col("loaded_mm")
    return pl.when(loaded > 0).then(pl.col(f"{part}_mm") / loaded).alias(f"{part}_share")


def columns(by: tuple[str, ...]) -> list[str]:
    """Columns of a grouping by GROUPS and STOCK_GROUPS."""
    return [name for one in by for name in (columns_of((one,)) if one not in STOCK_GROUPS else [one])]


def short_bars(rows: pl.LazyFrame) -> pl.LazyFrame:
    """Bars that gave fewer parts than planned or do not add up, most missing parts first.

    Returns
    -------
    LazyFrame
        machine, finished_at, job, material, lot, parts, planned_parts, missing_parts, loaded_mm, loaded_basis,
        remnant_mm, remnant_basis, unaccounted_mm, flag.
    """
    missing = pl.col("planned_parts") - pl.col("parts")
    told = pl.col("flag").is_in(["unaccounted stock", "fewer parts than planned"])
    return (
        rows.filter(pl.col("accounted") & (told | (missing > 0)))
        .with_columns(
            missing_parts=missing,
            # Only a measured remnant leaves something unaccounted.
            unaccounted_mm=pl.when(pl.col("remnant_basis") == "measured").then("unaccounted_mm"),
        )
        .sort("missing_parts", "machine", "finished_at", descending=[True, False, False])
        .select(
            "machine", "finished_at", "job", "material", "lot", "parts", "planned_parts", "missing_parts", "loaded_mm",
            "loaded_basis", "remnant_mm", "remnant_basis", "unaccounted_mm", "flag",
        )
    )  # fmt: skip


def _if_all(name: str) -> pl.Expr:
    """The sum, null unless known of every bar that has an account."""
    accounted = pl.col("accounted")
    known = (pl.col(name).is_not_null() | ~accounted).all() & accounted.any()
    return pl.when(known).then(pl.col(name).sum())
