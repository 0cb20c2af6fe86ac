"""Alarm codes that no `[[cause]]` of the site file names, by the time lost to them, and what naming them changes."""

from typing import Final

import polars as pl

from runlog.derive.alarms import cause_expr, rule_expr
from runlog.figures.soundness import Days
from runlog.figures.window import Facts
from runlog.site import Site

_ALARM: Final = ["code", "text"]


def unruled(facts: Facts, site: Site, days: Days) -> pl.LazyFrame:
    """Alarms, and stops that one began, of which no rule says the cause: enough to know those of any fewer last days.

    Parameters
    ----------
    facts : mapping of str to LazyFrame
        Fact tables by name.
    site : Site
    days : Days
        In which they began.

    Returns
    -------
    LazyFrame
        code, text, machine, level, start, is_alarm; duration_s of stops.
    """
    alarms = _begun(facts["alarms"].filter(~pl.col("restated")), days)
    stops = _begun(facts["stops"].filter(pl.col("basis") == "alarm"), days)
    came = _without_rule(alarms.select(*_ALARM, "machine", "level", "start"), site)
    stood = _without_rule(stops.select(*_ALARM, "machine", "start", "duration_s"), site)
    return pl.concat([came.with_columns(is_alarm=True), stood.with_columns(is_alarm=False)], how="diagonal")


def unmapped_codes(rows: pl.LazyFrame, days: Days) -> pl.DataFrame:
    """Codes that no rule names, the costliest first.

    Parameters
    ----------
    rows : LazyFrame
        `unruled` of these days, or of more that end where these do.
    days : Days
        Of which alarms and stops begun there count.

    Returns
    -------
    DataFrame
        code (null: an alarm without one, which only its words can name), text (the most frequent words), wordings (how
        many there are), level, alarms (activations; restated ones out), stops (whose first alarm it was), hours (that
        these stops lasted, planned or not) [h], machines (comma separated), last_at.
    """
    alarm = pl.col("is_alarm")
    # Words of alarms without a code are all that tells them apart.
    return (
        _begun(rows, days)
        .with_columns(key=pl.coalesce("code", "text"))
        .group_by("code", "key")
        .agg(
            text=pl.col("text").drop_nulls().mode(maintain_order=True).first(),
            wordings=pl.col("text").drop_nulls().n_unique(),
            level=pl.when((pl.col("level") == "FAULT").any() | (~alarm).any())
            .then(pl.lit("FAULT"))
            .otherwise(pl.lit("WARNING")),
            alarms=alarm.sum(),
            stops=(~alarm).sum(),
            hours=pl.col("duration_s").sum() / 3600,
            machines=pl.col("machine").unique().sort().str.join(", "),
            last_at=pl.col("start").max(),
        )
        .drop("key")
        .sort("hours", "alarms", "code", "text", descending=[True, True, False, False], nulls_last=True)
        .collect()
    )


def unexplained(facts: Facts, days: Days) -> tuple[int, float]:
    """Stops begun in the days that nothing in the log explains, and the hours they lasted. [h]"""
    rows = _begun(facts["stops"].filter(pl.col("cause") == "unexplained"), days)
    return rows.select(pl.len(), (pl.col("duration_s").sum() / 3600).fill_null(0.0)).collect().row(0)


def rule_effect(facts: Facts, before: Site, after: Site) -> pl.DataFrame:
    """What other rules make of the alarms and stops of the whole log.

    Parameters
    ----------
    facts : mapping of str to LazyFrame
        Fact tables by name.
    before, after : Site
        With the rules there are, and with those there would be.

    Returns
    -------
    DataFrame
        cause_before, cause_after, alarms, stops, hours (that these stops lasted) [h]; what stays the same left out.
    """
    alarms = facts["alarms"].filter(~pl.col("restated")).select(*_ALARM, alarms=pl.lit(1), stops=pl.lit(0))
    stops = (
        facts["stops"]
        .filter(pl.col("basis") == "alarm")
        .select(*_ALARM, alarms=pl.lit(0), stops=pl.lit(1), hours=pl.col("duration_s") / 3600)
    )
    return (
        pl.concat([alarms.with_columns(hours=pl.lit(0.0)), stops])
        .group_by(_ALARM)
        .agg(pl.col("alarms", "stops", "hours").sum())
        .with_columns(cause_before=cause_expr(before), cause_after=cause_expr(after))
        .filter(pl.col("cause_before") != pl.col("cause_after"))
        .group_by("cause_before", "cause_after")
        .agg(pl.col("alarms", "stops", "hours").sum())
        .sort("hours", "cause_before", "cause_after", descending=[True, False, False])
        .collect()
    )


def _begun(rows: pl.LazyFrame, days: Days) -> pl.LazyFrame:
    return rows.filter((pl.col("start") >= days.start) & (pl.col("start") < days.end))


def _without_rule(rows: pl.LazyFrame, site: Site) -> pl.LazyFrame:
    return rows.filter(rule_expr(site).is_null())
