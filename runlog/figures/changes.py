"""Which shifts of a week show other figures than when it was last looked at.

Figures of a past shift change only when its events, its entries in the site file or a person's word do: late files, a
scrap list, another standard time. `shown` is what is kept of a week when it was shown, `changed` compares.
"""

from datetime import datetime
from typing import Final

import polars as pl

from runlog.figures.groups import SHIFT
from runlog.figures.period import Period, in_period
from runlog.figures.window import Facts
from runlog.schema import REPORTED

NEAR_S: Final = 0.5
"""Seconds that differ by less are the same."""

_COUNTS: Final = {"parts": "parts", "good_parts": "good parts"}
_PARTS: Final = {"planned_parts": "planned"}
_TIMES: Final = {
    "pbt_s": "planned busy time",
    "apt_s": "production",
    "reload_overrun_s": "reload overrun",
    "setting_s": "setting",
    "stopped_s": "stops",
    "no_signal_s": "no signal",
}


def shown(facts: Facts, period: Period, now: datetime) -> pl.DataFrame:
    """What is shown of every machine and shift of a week (REPORTED)."""
    figures = in_period(facts["shift_figures"], period)
    good = pl.col("good_parts")
    rated = (good.is_not_null() | (pl.col("parts") == 0)).all() & good.is_not_null().any()
    sums = figures.group_by(SHIFT).agg(
        pl.col("parts", "pbt_s", "apt_s", "reload_overrun_s", "setting_s", "no_signal_s").sum(),
        good_parts=pl.when(rated).then(good.sum()),
        stopped_s=pl.col("stopped_s").sum() + pl.col("minor_stops_s").sum(),
    )
    causes = (
        in_period(facts["shift_losses"], period)
        .group_by(*SHIFT, "cause")
        .agg(pl.col("seconds").sum())
        .sort("seconds", "cause", descending=[True, False])
        .group_by(SHIFT, maintain_order=True)
        .agg(causes=pl.col("cause").str.join(", "))
    )
    plans = in_period(facts["shift_plans"], period).select(*SHIFT, "planned_parts")
    rows = (
        sums.join(plans, on=SHIFT, how="left")
        .join(causes, on=SHIFT, how="left")
        .with_columns(pl.col("causes").fill_null(""), week=pl.lit(period.week), shown_at=pl.lit(now))
    )
    return REPORTED.conform(rows.sort(SHIFT)).collect()


def changed(now: pl.DataFrame, before: pl.DataFrame) -> pl.DataFrame:
    """Shifts that differ between two showings of a week.

    Returns
    -------
    DataFrame
        machine, shift_date, shift, what (a sentence), shown_at (when it was shown before; null for a shift that was
        not there).
    """
    both = now.join(before, on=SHIFT, how="full", coalesce=True, suffix="_before", nulls_equal=True)
    before_null, now_null = pl.col("shown_at_before").is_null(), pl.col("shown_at").is_null()
    told = [
        *(_count(name, word) for name, word in _COUNTS.items()),
        *(_number(name, word) for name, word in _PARTS.items()),
        *(_time(name, word) for name, word in _TIMES.items()),
        pl.when(pl.col("causes") != pl.col("causes_before")).then(
            pl.format("causes {}, were {}", _or_none("causes"), _or_none("causes_before"))
        ),
    ]
    what = (
        pl.when(before_null)
        .then(pl.lit("was not there before"))
        .when(now_null)
        .then(pl.lit("is no longer there"))
        .otherwise(pl.concat_str(told, separator="; ", ignore_nulls=True))
    )
    return (
        both.with_columns(what=what)
        .filter(pl.col("what") != "")
        .sort(SHIFT)
        .select(*SHIFT, "what", shown_at="shown_at_before")
    )


def _count(name: str, word: str) -> pl.Expr:
    old, new = pl.col(f"{name}_before"), pl.col(name)
    said = pl.format(f"{word} {{}}, were {{}}", _or_unmeasured(new), _or_unmeasured(old))
    return pl.when(new.ne_missing(old)).then(said)


def _number(name: str, word: str) -> pl.Expr:
    old, new = pl.col(f"{name}_before"), pl.col(name)
    differs = ((new - old).abs() >= 0.05).fill_null(new.is_null() != old.is_null())
    return pl.when(differs).then(
        pl.format(f"{word} {{}}, were {{}}", _or_unmeasured(new.round(1)), _or_unmeasured(old.round(1)))
    )


def _time(name: str, word: str) -> pl.Expr:
    old, new = pl.col(f"{name}_before"), pl.col(name)
    minutes = [(one / 60).round(1) for one in (new, old)]
    return pl.when((new - old).abs() >= NEAR_S).then(pl.format(f"{word} {{}} min, were {{}}", *minutes))


def _or_unmeasured(value: pl.Expr) -> pl.Expr:
    return value.cast(pl.String).fill_null("not measured")


def _or_none(name: str) -> pl.Expr:
    return pl.when(pl.col(name) == "").then(pl.lit("none")).otherwise(pl.col(name))
