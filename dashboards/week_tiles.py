"""Every machine and shift of a week as a table of shaded cells.

A browser lays out a thousand cells in a tenth of the time in which it draws a chart of them, prints them, and reads
them aloud.
"""

from typing import Final

import polars as pl
from theme import SHADES, Markup, joined, markup

ROW_PX: Final = 23
"""Height of a row."""
HEAD_PX: Final = 100
"""Height of what stands above the rows, about."""


def table(drawn: pl.DataFrame, caption: str) -> Markup:
    """Parts made of those planned, by machine and shift.

    Parameters
    ----------
    drawn : DataFrame
        `week_charts.of_shifts`.
    caption : str
        What is to be seen in it.
    """
    columns = drawn.select("day", "shift", "column").unique(maintain_order=True)
    return markup(
        '<div class="rl-far" style="contain-intrinsic-height: auto {high}px"><table class="rl-tiles">'
        "<caption>{caption}</caption><thead>{days}{shifts}</thead><tbody>{rows}</tbody></table></div>",
        high=HEAD_PX + ROW_PX * drawn["machine"].n_unique(),
        caption=caption,
        days=_days(columns),
        shifts=_shifts(columns),
        rows=_rows(drawn, columns),
    )


def _days(columns: pl.DataFrame) -> Markup:
    told = columns.group_by("day", maintain_order=True).len().rows()
    cells = [markup('<th scope="colgroup" colspan="{many}">{day}</th>', day=day, many=many) for day, many in told]
    return markup('<tr><th scope="col" rowspan="2">machine</th>{cells}</tr>', cells=joined(cells))


def _shifts(columns: pl.DataFrame) -> Markup:
    cells = [markup('<th scope="col"><span>{shift}</span></th>', shift=shift) for shift in columns["shift"]]
    return markup("<tr>{cells}</tr>", cells=joined(cells))


def _rows(drawn: pl.DataFrame, columns: pl.DataFrame) -> Markup:
    """A row a machine; a shift of which nothing is known has an empty cell."""
    whole = drawn.select("machine").unique().sort("machine").join(columns.select("column"), how="cross")
    lines = (
        whole.join(drawn, on=["machine", "column"], how="left", maintain_order="left")
        .group_by("machine", maintain_order=True)
        .agg(cells=_cell().fill_null("<td></td>").str.join(""))
    )
    return joined(
        [
            markup('<tr><th scope="row">{machine}</th>{cells}</tr>', machine=machine, cells=Markup(cells))
            for machine, cells in lines.rows()
        ]
    )


def _cell() -> pl.Expr:
    """Of numbers alone, so that there is nothing to escape."""
    shade = (pl.col("short") * SHADES).round(0).cast(pl.Int64)
    return pl.format('<td class="rl-shade-{}" title="{}">{}</td>', shade, _exactly(), "said")


def _exactly() -> pl.Expr:
    planned = pl.format("of {} planned", pl.col("planned_parts").round(1)).fill_null("no plan")
    shares = [
        pl.format(f"{name} {{}} %", (100 * pl.col(name)).round(1)).fill_null(f"{name} not measured")
        for name in ("availability", "effectiveness")
    ]
    return pl.concat_str(pl.format("{} made, {}", "parts", planned), *shares, separator="; ")
