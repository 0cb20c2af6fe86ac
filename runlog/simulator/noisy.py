"""What spoils real logs, put onto a clean one: the log changes, the truth never does."""

import numpy as np
import polars as pl

from runlog.simulator.shop import RANK


def spoilt(rows: pl.DataFrame, rng: np.random.Generator, noise: float) -> pl.DataFrame:
    """Repeated, late and swapped rows in one file, loss of signal stamped by another clock."""
    n = rows.height
    order = np.arange(n, dtype=float)
    late = rng.random(n) < 0.0005 * noise
    order[late] += rng.integers(2, 6, int(late.sum()))
    rows = rows.with_columns(pl.Series("order", order))
    repeated = rows.filter(pl.Series(rng.random(n) < 0.002 * noise)).with_columns(pl.col("order") + 0.5)
    rows = pl.concat([rows, repeated]).sort("order", maintain_order=True).drop("order")
    return _other_clock(rows, rng)


def with_resets(rows: pl.DataFrame, rng: np.random.Generator, noise: float) -> pl.DataFrame:
    """The part counter falls to zero now and then, between two parts, and counts on from there."""
    days = (int(rows["t"][-1]) - int(rows["t"][0])) / 86_400_000
    is_count = (pl.col("rank") == RANK["parts"]) & (pl.col("text") != "UNAVAILABLE")
    for share in np.sort(rng.uniform(0, 1, int(rng.poisson(0.2 * noise * days)))).tolist():
        counts = rows.filter(is_count)
        if counts.height < 3:
            return rows
        place = int(share * (counts.height - 2)) + 1
        told, after = int(counts["t"][place]), int(counts["t"][place + 1])
        reset = counts[place : place + 1].with_columns(
            pl.lit((told + after) // 2, pl.Int64).alias("t"), pl.lit("0").alias("text")
        )
        lower = pl.col("text").cast(pl.Int64, strict=False) - int(counts["text"][place])
        text = pl.when(is_count & (pl.col("t") > told)).then(lower.cast(pl.String)).otherwise("text")
        rows = pl.concat([rows.with_columns(text.alias("text")), reset]).sort("t", maintain_order=True)
    return rows


def _other_clock(rows: pl.DataFrame, rng: np.random.Generator) -> pl.DataFrame:
    """UNAVAILABLE is stamped by the collector, whose clock is up to a minute behind."""
    behind = int(rng.integers(5000, 60_000))
    return rows.with_columns(
        pl.when(pl.col("text") == "UNAVAILABLE").then(pl.col("t") - behind).otherwise("t").alias("t")
    )


def garbled(content: str, rng: np.random.Generator, noise: float, form: str) -> str:
    """A few lines torn or with junk in them; agent documents stay well formed."""
    if form == "mtconnect streams":
        return content
    lines = content.split("\n")
    for place in np.flatnonzero(rng.random(len(lines)) < 0.0002 * noise).tolist():
        if 100 < place < len(lines) - 2:
            junk = lines[place][: int(rng.integers(3, 15))]
            lines.insert(place, junk + "\ufffd")
    return "\n".join(lines)
