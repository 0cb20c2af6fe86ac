"""Whatever logs say, these hold. Logs are arbitrary sequences of the observations a lathe can make.

Each example is a shop of several machines: deriving ten logs together takes little longer than deriving one.
"""

from collections.abc import Iterator
from datetime import timedelta

import polars as pl
import pytest
from derive.literal import SITE, log, second
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from searching import examples

from runlog.derive import derive
from runlog.figures.account import loss_account
from runlog.schema import SPAN_KINDS, TABLES
from runlog.site import parse_site

VALUES = {
    "exec": ["ACTIVE", "READY", "INTERRUPTED", "FEED_HOLD", "PROGRAM_COMPLETED", "UNAVAILABLE", "WAIT"],
    "mode": ["AUTOMATIC", "MANUAL", "UNAVAILABLE"],
    "avail": ["AVAILABLE", "UNAVAILABLE"],
    "estop": ["ARMED", "TRIGGERED"],
    "program": ["O1", "O2", "O3"],
    "door": ["OPEN", "CLOSED"],
    "count": ["0", "1", "2", "3", "5", "9", "UNAVAILABLE"],
    "bad": ["0", "1"],
    "eob": ["YES", "NO"],
    "change": ["READY", "ACTIVE", "COMPLETE", "FAIL", "UNAVAILABLE"],
    "standard": ["300"],
    "remaining": ["70", "80", "290"],
    "bars": ["2"],
    "feeder": ["FAULT 2101 x", "NORMAL 2101", "NORMAL", "UNAVAILABLE", "WARNING 9 x"],
    "alarm": ["FAULT 3001 x", "NORMAL", "FAULT 3002 y"],
    "main": ["0", "1500", "UNAVAILABLE"],
}
OPENING = "0 avail AVAILABLE\n0 exec READY\n0 mode AUTOMATIC\n0 program O1\n0 count 0\n0 eob NO\n0 change READY\n"
SIGNALS = st.sampled_from(sorted(VALUES)).flatmap(lambda name: st.tuples(st.just(name), st.sampled_from(VALUES[name])))
STEPS = st.lists(st.tuples(st.sampled_from([0, 1, 4, 9, 30, 100, 299, 301, 900, 4000]), SIGNALS), max_size=60)
MACHINES = tuple(f"T{number:02}" for number in range(1, 9))
SHOPS = st.lists(STEPS, min_size=1, max_size=len(MACHINES))
FEW = settings(max_examples=examples(15), deadline=None, suppress_health_check=[HealthCheck.too_slow])

_MACHINE = SITE[SITE.index("[[machine]]") : SITE.index("[[job]]")]
SHOP_SITE = SITE.replace(_MACHINE, "".join(_MACHINE.replace("T01", name) for name in MACHINES))


def written(steps) -> str:
    """Steps (pause, (signal, value)) as a literal log."""
    at, lines = 0, [OPENING]
    for pause, (signal, value) in steps:
        at += pause
        lines.append(f"{at} {signal} {value}\n")
    return "".join(lines)


def logged(shop) -> pl.LazyFrame:
    """The logs of a shop, one a machine."""
    return pl.concat([log(written(steps), machine=name) for name, steps in zip(MACHINES, shop, strict=False)])


def facts_of(events: pl.LazyFrame, text: str = SHOP_SITE) -> dict[str, pl.DataFrame]:
    return {name: frame.collect() for name, frame in derive(events, parse_site(text)).items()}


def by_machine(facts: dict[str, pl.DataFrame]) -> Iterator[dict[str, pl.DataFrame]]:
    """The facts of each machine alone."""
    for machine in facts["shift_figures"]["machine"].unique(maintain_order=True):
        yield {name: frame.filter(pl.col("machine") == machine) for name, frame in facts.items()}


@given(SHOPS)
@FEW
def test_spans_tile_the_time_of_a_machine(shop):
    """Invariant 1: no gap, no overlap, none empty, from the first event to the last but notes; only known kinds."""
    events = logged(shop)
    spans = facts_of(events)["spans"]
    end = events.filter(pl.col("item") != "BARS_LOADED").select(pl.col("at").max()).collect().item()
    if end == second(0):
        assert spans.height == 0
        return
    assert spans["machine"].unique(maintain_order=True).to_list() == list(MACHINES[: len(shop)])
    for own in spans.partition_by("machine"):
        assert [second(0), *own["end"]] == [*own["start"], end]
    assert (spans["start"] < spans["end"]).all()
    assert set(spans["kind"]) <= set(SPAN_KINDS)
    assert (spans["cause"].is_not_null() == (spans["kind"] == "stopped")).all()


@given(SHOPS)
@FEW
def test_sums_over_shifts_equal_the_whole(shop):
    """Invariant 2: seconds of a kind, parts and stops are the same summed over shifts; the account closes."""
    # Logs go on for a second: a part at the very last instant may be of a shift that has not begun yet.
    whole = facts_of(logged([[*steps, (1, ("avail", "AVAILABLE"))] for steps in shop]))
    # Machines that the site names and that logged nothing have shifts, too.
    assert whole["shift_figures"]["machine"].n_unique() == len(MACHINES)
    for facts in by_machine(whole):
        sums_agree(facts)


def sums_agree(facts: dict[str, pl.DataFrame]) -> None:
    spans, figures = facts["spans"], facts["shift_figures"]
    seconds = spans.select("kind", s=(pl.col("end") - pl.col("start")).dt.total_microseconds() / 1e6)
    whole = dict(seconds.group_by("kind").agg(pl.col("s").sum()).rows())
    reload_s = figures["reload_planned_s"].sum() + figures["reload_overrun_s"].sum()
    assert figures["producing_s"].sum() == pytest.approx(whole.get("producing", 0))
    assert figures["setting_s"].sum() == pytest.approx(whole.get("setting", 0))
    assert reload_s == pytest.approx(whole.get("reloading", 0))
    stopped = figures["stopped_s"].sum() + figures["minor_stops_s"].sum()
    assert stopped == pytest.approx(whole.get("stopped", 0))
    assert figures["parts"].sum() + figures["setting_parts"].sum() == facts["parts"].height
    assert figures["stops"].sum() + figures["minor_stops"].sum() == facts["stops"].height
    account = loss_account(figures.lazy(), facts["shift_losses"].lazy()).collect()
    assert account["seconds"].sum() == pytest.approx(figures["pbt_s"].sum())
    per_shift = account.group_by("shift_date", "shift", "job").agg(pl.col("seconds").sum())
    joined = figures.join(per_shift, on=["shift_date", "shift", "job"])
    assert joined["seconds"].to_list() == pytest.approx(joined["pbt_s"].to_list())


@given(SHOPS)
@FEW
def test_reloads_and_bars_do_not_overlap(shop):
    """A bar lies between two reloads; reloads of a machine follow each other; parts of bars are at most all parts."""
    for facts in by_machine(facts_of(logged(shop))):
        reloads, bars = facts["reloads"].sort("start"), facts["bars"].sort("loaded_at")
        assert (reloads["start"].shift(-1).fill_null(second(10**7)) >= reloads["end"]).all()
        assert (reloads["attempts"] >= 1).all()
        assert (bars["finished_at"].fill_null(second(10**7)) >= bars["loaded_at"]).all()
        assert bars["parts"].sum() <= facts["parts"].height


@given(SHOPS, st.integers(1, 40))
@FEW
def test_shifting_time_shifts_every_fact(shop, weeks):
    """Invariant 6: a log some weeks later gives the same facts some weeks later (UTC, so no clock change)."""
    site = SHOP_SITE.replace("Europe/London", "UTC")
    by = timedelta(weeks=weeks)
    events = logged(shop)
    later = events.with_columns(pl.col("at", "stamped", "body_start") + by)
    plain, moved = facts_of(events, site), facts_of(later, site)
    for name, frame in plain.items():
        instants = [c for c, t in frame.schema.items() if t.is_temporal()]
        assert moved[name].equals(frame.with_columns(pl.col(instants) + by)), name


@given(SHOPS)
@FEW
def test_renaming_machines_changes_nothing_else(shop):
    """Invariant 6: facts of machines under other names, their order turned round, are the same facts."""
    events = logged(shop)
    names = {name: f"Z{99 - number}" for number, name in enumerate(MACHINES)}
    other_site = SHOP_SITE
    for name, other in names.items():
        other_site = other_site.replace(f'"{name}"', f'"{other}"')
    renamed = facts_of(events.with_columns(pl.col("machine").replace(names)), other_site)
    for name, frame in facts_of(events).items():
        expected = frame.with_columns(pl.col("machine").replace(names))
        columns = expected.columns
        assert renamed[name].sort(columns).equals(expected.sort(columns)), name


@given(SHOPS)
@FEW
def test_facts_have_their_schema_and_lazy_in_is_lazy_out(shop):
    facts = derive(logged(shop), parse_site(SHOP_SITE))
    assert all(isinstance(frame, pl.LazyFrame) for frame in facts.values())
    assert {name: frame.collect_schema() for name, frame in facts.items()} == {
        name: TABLES[name].schema for name in facts
    }


def test_no_events_give_empty_facts():
    facts = derive(log("0 exec READY").filter(pl.lit(False)), parse_site(SITE))
    assert {name: frame.collect().height for name, frame in facts.items()} == dict.fromkeys(facts, 0)
    assert {name: frame.collect_schema() for name, frame in facts.items()} == {n: TABLES[n].schema for n in facts}
