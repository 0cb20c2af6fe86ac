"""Compare derived facts with a truth, column by column, and say where they differ."""

import polars as pl

KEYS = {
    "spans": ["machine", "start"],
    "parts": ["machine", "at"],
    "reloads": ["machine", "start"],
    "bars": ["machine", "loaded_at"],
    "stops": ["machine", "start"],
    "alarms": ["machine", "start", "code"],
    "unattended_runs": ["machine", "start"],
    "changeovers": ["machine", "start"],
    "shift_figures": ["machine", "shift_start", "job"],
    "shift_losses": ["machine", "shift_date", "shift", "job", "loss", "cause"],
    "shift_loads": ["machine", "shift_date", "shift", "job", "component", "load"],
    "shift_plans": ["machine", "shift_start"],
}
NEAR = 1e-6
"""Sums of seconds and lengths are compared to a millionth; everything else exactly."""


def differences(truth: pl.DataFrame, got: pl.DataFrame, name: str, without: tuple[str, ...] = ()) -> list[str]:
    """One line a difference: rows on one side only, and each column that differs with its first case."""
    key = KEYS[name]
    columns = [column for column in truth.columns if column not in without]
    truth, got = truth.select(columns), got.select(columns)
    found = []
    for one, other, side in ((truth, got, "only in the truth"), (got, truth, "only derived")):
        extra = one.join(other, on=key, how="anti", nulls_equal=True)
        if extra.height:
            found.append(f"{name}: {extra.height} rows {side}, first {extra.sort(key).row(0, named=True)}")
    both = truth.join(got, on=key, how="inner", suffix="_got", nulls_equal=True)
    for column in columns:
        if column not in key and (wrong := both.filter(_differs(column, truth.schema[column]))).height:
            first = wrong.select(*key, column, f"{column}_got").sort(key).row(0)
            found.append(f"{name}.{column}: {wrong.height} of {both.height} rows differ, first {first}")
    return found


def _differs(column: str, dtype: pl.DataType) -> pl.Expr:
    true, got = pl.col(column), pl.col(f"{column}_got")
    if not dtype.is_float():
        return true.ne_missing(got)
    return ((true - got).abs() > NEAR * (1 + true.abs())) | (true.is_null() != got.is_null())
