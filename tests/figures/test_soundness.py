"""What speaks against the figures: files, coverage, gaps, clocks, rejects, codes without a cause; worked by hand."""

from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest

from runlog.errors import RunlogError
from runlog.figures import soundness
from runlog.figures.log_tells import INFERRED, MISSING, NEEDS, NONE, TOLD, last_ways, log_tells
from runlog.figures.soundness import Days, last_days, log_end
from runlog.figures.unmapped_codes import rule_effect, unexplained, unmapped_codes, unruled
from runlog.schema import (
    ALARMS,
    BARS,
    CARRIED,
    EVENTS,
    PARTS,
    PROGRESS,
    REJECTS,
    RELOADS,
    SHIFT_FIGURES,
    SHIFT_PLANS,
    SPANS,
    STOPS,
    Table,
)
from runlog.site import Site, parse_site

MIDNIGHT = datetime(2026, 3, 2, tzinfo=UTC)
"""Of a Monday."""
DAYS = Days(date(2026, 3, 2), date(2026, 3, 3), MIDNIGHT, MIDNIGHT + timedelta(days=2), "UTC")

SITE = """
[site]
name = "shop"
time_zone = "UTC"

[[shift]]
name = "day"
start = "06:00"
end = "14:00"
days = ["mon", "tue", "wed", "thu", "fri"]

[[machine]]
name = "T01"
feeder = { bars_held = 12, longest_bar_mm = 1250, minimum_remnant_mm = 90, planned_reload_s = 40 }

[[machine]]
name = "T02"
limits = { coverage_flag = 0.5 }

[[source]]
name = "T01 log"
files = ["T01*"]
machine = "T01"

[[source]]
name = "notes"
files = ["notes*"]
machine = "T01"
[source.keys]
filled = { item = "BARS_LOADED" }

[[cause]]
cause = "misfeed"
codes = ["2101"]

[[cause]]
cause = "swarf nest"
text = "(?i)swarf"
"""


def site(more: str = "") -> Site:
    return parse_site(SITE + more)


def hours(number: float) -> datetime:
    return MIDNIGHT + timedelta(hours=number)


def table(schema: Table, *rows: dict) -> pl.LazyFrame:
    return schema.conform(pl.LazyFrame([dict.fromkeys(schema.columns) | row for row in rows], schema=schema.schema))


# --- days and sources ----------------------------------------------------------------------------


def test_days_end_with_the_log_and_a_log_to_midnight_says_nothing_of_the_next_day():
    spans = table(SPANS, {"machine": "T01", "start": hours(0), "end": hours(48), "kind": "producing"})
    days = last_days(log_end({"spans": spans}), site(), 7)
    assert (days.first, days.last) == (date(2026, 2, 25), date(2026, 3, 3))
    assert (days.start, days.end) == (datetime(2026, 2, 25, tzinfo=UTC), hours(48))


def test_days_of_no_log_are_told_what_to_do():
    with pytest.raises(RunlogError, match="runlog ingest"):
        log_end({"spans": SPANS.empty()})


def file(source: str, path: str, read_h: float, last_h: float | None, **more: object) -> dict:
    row = {"source": source, "file": path, "path": path, "read_at": hours(read_h), "offered": 100, "rejects": 1}
    at = None if last_h is None else hours(last_h)
    return row | {"first_at": at, "last_at": at, "note": "", "moved": 0} | more


def test_the_last_file_is_the_one_read_last_and_the_last_event_the_latest():
    progress = table(PROGRESS, file("A", "new", 5, 3), file("A", "old", 6, 2), file("B", "only", 1, None))
    rows = soundness.sources(progress, hours(8)).select("source", "files", "last_file", "lag_s", "offered", "rejects")
    assert rows.rows() == [("A", 2, "old", 5 * 3600, 200, 2), ("B", 1, "only", None, 100, 1)]


def test_silence_is_counted_in_planned_hours():
    """Last event Monday 10:00, asked Tuesday 09:00: 4 h of Monday's shift and 3 h of Tuesday's; at 10:00 it is 8."""
    progress = table(PROGRESS, file("T01 log", "a", 10, 10), file("notes", "b", 10, 10), file("gone", "c", 10, 10))
    for at, planned, silent in ((33, 7.0, False), (34, 8.0, True)):
        rows = soundness.with_silence(soundness.sources(progress, hours(at)), site(), hours(at))
        told = {row["source"]: (row["planned_h"], row["silent"]) for row in rows.iter_rows(named=True)}
        assert told == {"T01 log": (planned, silent), "notes": (None, False), "gone": (None, False)}


def test_nothing_is_silent_at_a_weekend_or_before_its_last_event():
    progress = table(PROGRESS, file("T01 log", "a", 0, 24 * 4 + 14))
    for at in (24 * 6, 24 * 4 + 13):
        rows = soundness.with_silence(soundness.sources(progress, hours(at)), site(), hours(at))
        assert rows.select("planned_h", "silent").row(0) in [(0.0, False), (None, False)]


# --- coverage ------------------------------------------------------------------------------------


def shift(machine: str, day: int, pbt_s: float, no_signal_s: float) -> dict:
    return {"machine": machine, "shift_date": date(2026, 3, day), "pbt_s": pbt_s, "no_signal_s": no_signal_s}


FIGURES = (
    shift("T01", 2, 600.0, 0.0),
    shift("T01", 2, 400.0, 60.0),
    shift("T01", 3, 1000.0, 0.0),
    shift("T02", 2, 1000.0, 400.0),
    shift("T02", 3, 0.0, 0.0),
    shift("T01", 1, 1000.0, 1000.0),
)


def test_coverage_sums_first_and_compares_with_the_limit_of_the_machine():
    """T01 on the 2nd: 1 - 60 / 1000 = 0.94 < 0.95. T02: 1 - 400 / 1000 = 0.6 >= 0.5. The 1st is no day of these."""
    told = soundness.coverage({"shift_figures": table(SHIFT_FIGURES, *FIGURES)}, site(), DAYS)
    assert told.select("machine", pl.col("day").dt.day(), pl.col("coverage").round(9), "thin").rows() == [
        ("T01", 2, 0.94, True),
        ("T01", 3, 1.0, False),
        ("T02", 2, 0.6, False),
        ("T02", 3, None, False),
    ]
    machines = soundness.machine_coverage(told, site())
    # T01 over both days: 1 - 60 / 2000.
    assert machines.select("machine", pl.col("coverage").round(9), "thin", "thin_days", "days").rows() == [
        ("T02", 0.6, False, 0, 1),
        ("T01", 0.97, False, 1, 2),
    ]


def test_weeks_begin_on_monday():
    facts = {"shift_figures": table(SHIFT_FIGURES, *FIGURES)}
    days = Days(date(2026, 3, 1), DAYS.last, DAYS.start, DAYS.end, "UTC")
    told = soundness.coverage(facts, site(), days, "1w").filter(pl.col("machine") == "T01")
    assert told["day"].to_list() == [date(2026, 2, 23), date(2026, 3, 2)]


# --- gaps, remarks, clocks -----------------------------------------------------------------------


def test_a_gap_that_a_shift_parts_is_one():
    def span(machine: str, start: float, end: float, kind: str = "no signal") -> dict:
        return {"machine": machine, "start": hours(start), "end": hours(end), "kind": kind}

    spans = table(
        SPANS,
        span("T01", 1, 2),
        span("T01", 2, 4),
        span("T01", 4, 5, "producing"),
        span("T01", 5, 6),
        span("T02", 2, 3),
    )
    assert soundness.gaps(spans, DAYS).select("machine", "start", "seconds").rows() == [
        ("T01", hours(1), 3 * 3600),
        ("T01", hours(5), 3600),
        ("T02", hours(2), 3600),
    ]


def test_remarks_are_parted_named_and_counted():
    note = (
        "instanceId 1 became 2: the agent began anew, and what was between is not known; sequences 5 to 8 are missing"
    )
    progress = table(
        PROGRESS,
        file("B", "b1", 1, 1, note="unmapped keys: 1"),
        file("B", "b2", 2, 2, note="unmapped keys: 1"),
        file("B", "old", 2, -30, note="unmapped keys: 1"),
        file("A", "a1", 1, 1, note=note),
        file("C", "c1", 1, 1, moved=7, moved_most_s=41.24),
        file("D", "d1", 1, 1, note="dates read day first; csv.day_first = false reads the other way"),
    )
    assert soundness.file_remarks(progress, DAYS).select("source", "kind", "files", "path").rows() == [
        ("A", "sequences missing", 1, "a1"),
        ("A", "agent began anew", 1, "a1"),
        ("C", "stamps moved", 1, "c1"),
        ("B", "names nobody mapped", 2, "b2"),
        ("D", "remark", 1, "d1"),
    ]


def test_a_clock_that_steps_back_within_a_file_is_found_and_two_files_are_no_step():
    def event(name: str, line: int, seconds: float, **more: object) -> dict:
        row = {"machine": "T01", "source": "log", "file": name, "line": line, "cell": 0, "head": False}
        return row | {"stamped": MIDNIGHT + timedelta(seconds=seconds)} | more

    events = table(
        EVENTS,
        event("a", 1, 100),
        event("a", 2, 40),
        event("a", 3, 4000),
        event("a", 4, 400),
        event("a", 5, 0, head=True),
        event("b", 1, 50),
    )
    files = table(PROGRESS, file("log", "a", 1, 1) | {"path": "a.csv"})
    assert soundness.clock_steps(events, files).select("path", "line", "back_s").rows() == [("a.csv", 4, 3600.0)]


# --- rejects -------------------------------------------------------------------------------------


def reject(line: int, reason: str, read_h: float = 1, raw: str = "raw") -> dict:
    row = {"source": "A", "file": "f", "path": "f.csv", "line": line, "cell": 0, "raw": raw}
    return row | {"reason": reason, "read_at": hours(read_h)}


def test_reasons_that_differ_in_a_number_or_a_word_are_one():
    rejects = table(
        REJECTS,
        reject(1, "time '31.02' found, a time expected"),
        reject(2, "time 'x' found, a time expected", raw="last"),
        reject(3, "3 fields found, 14 expected"),
    )
    assert soundness.reject_reasons(rejects).select("reason", "rejects", "files", "example").rows() == [
        ("time '…' found, a time expected", 2, 1, "last"),
        ("… fields found, … expected", 1, 1, "raw"),
    ]


def test_the_newest_rejects_come_first_each_file_in_its_order():
    rejects = table(REJECTS, reject(2, "a"), reject(1, "b"), reject(9, "c", read_h=2))
    assert soundness.newest_rejects(rejects, 2)["line"].to_list() == [9, 1]


# --- codes without a cause -----------------------------------------------------------------------


def alarm(code: str | None, text: str, start_h: float, **more: object) -> dict:
    row = {"machine": "T01", "start": hours(start_h), "code": code, "text": text, "level": "FAULT"}
    return row | {"restated": False} | more


def stop(code: str | None, text: str | None, start_h: float, length_h: float, **more: object) -> dict:
    row = {"machine": "T01", "start": hours(start_h), "end": hours(start_h + length_h), "duration_s": length_h * 3600}
    return row | {"code": code, "text": text, "basis": "alarm", "cause": "other alarm"} | more


ALARM_ROWS = (
    alarm("7", "axis X", 1),
    alarm("7", "axis X", 2, machine="T02"),
    alarm("7", "axis Y", 3, restated=True),
    alarm("8", "filter", 4, level="WARNING"),
    alarm("2101", "misfeed", 5),
    alarm("9", "Swarf in the way", 6),
    alarm(None, "hatch", 7),
    alarm("7", "axis X", 99),
)
STOP_ROWS = (
    stop("7", "axis X", 2, 1.5, machine="T02"),
    stop("7", "axis Y", 3, 0.5),
    stop("2101", "misfeed", 5, 4),
    stop(None, "hatch", 7, 1),
    stop(None, None, 9, 3, basis="none", cause="unexplained"),
    stop("7", "axis X", 99, 50),
)
FACTS = {"alarms": table(ALARMS, *ALARM_ROWS), "stops": table(STOPS, *STOP_ROWS)}


def test_codes_that_no_rule_names_are_ranked_by_the_hours_their_stops_took():
    """Code 7 stood for 1.5 h + 0.5 h; 2101 has a rule by its code, 9 one by its words; hour 99 is past the days."""
    rows = unmapped_codes(unruled(FACTS, site(), DAYS), DAYS)
    assert rows.select("code", "text", "level", "alarms", "stops", "hours", "machines").rows() == [
        ("7", "axis X", "FAULT", 2, 2, 2.0, "T01, T02"),
        (None, "hatch", "FAULT", 1, 1, 1.0, "T01"),
        ("8", "filter", "WARNING", 1, 0, 0.0, "T01"),
    ]
    assert rows["wordings"].to_list() == [2, 1, 1]


def test_stops_that_nothing_explains_are_counted_apart():
    assert unexplained(FACTS, DAYS) == (1, 3.0)


def test_a_rule_called_other_alarm_is_a_rule():
    with_rule = site('\n[[cause]]\ncause = "other alarm"\ncodes = ["7", "8"]\n')
    rows = unmapped_codes(unruled(FACTS, with_rule, DAYS), DAYS)
    assert rows["text"].to_list() == ["hatch"]


def test_what_a_rule_changes_is_told_for_the_whole_log():
    """Code 7: three activations, one restated left out, and one past the days; 1.5 h + 0.5 h + 50 h."""
    after = site('\n[[cause]]\ncause = "drive fault"\ncodes = ["7", "2101"]\n')
    assert rule_effect(FACTS, site(), after).rows() == [("other alarm", "drive fault", 3, 3, 52.0)]
    assert rule_effect(FACTS, site(), site()).is_empty()


# --- what a log tells ----------------------------------------------------------------------------


def told_by(*items: str, more: dict[str, pl.LazyFrame] | None = None) -> dict[tuple[str, str], tuple[str, str]]:
    """T01's items as `ITEM/SUB TYPE/component`; state and how, by machine and need."""
    parts = [(*item.split("/"), "", "")[:3] for item in items]
    carried = table(
        CARRIED, *({"machine": "T01", "item": item, "sub_type": sub, "component": where} for item, sub, where in parts)
    )
    facts = {
        "parts": PARTS.empty(),
        "reloads": RELOADS.empty(),
        "bars": BARS.empty(),
        "shift_plans": SHIFT_PLANS.empty(),
        "shift_figures": SHIFT_FIGURES.empty(),
    }
    rows = log_tells(last_ways(facts | (more or {}), DAYS), carried, site(), DAYS)
    return {(row["machine"], row["need"]): (row["state"], row["how"]) for row in rows.iter_rows(named=True)}


def test_every_machine_of_the_site_has_every_need_in_the_order_of_the_file():
    assert [*told_by()] == [(machine, need) for machine in ("T01", "T02") for need in NEEDS]


def test_a_machine_without_a_feeder_needs_no_bars():
    told = told_by()
    assert told["T02", "remnant"][0] == NONE
    assert told["T01", "bar changes"] == (MISSING, "")


def test_what_is_told_is_told_by_its_item():
    told = told_by("EXECUTION", "LENGTH/REMAINING/feeder", "CONTROLLER_MODE", "ROTARY_VELOCITY//main")
    assert told["T01", "running"] == (TOLD, "EXECUTION")
    assert told["T01", "remnant"] == (TOLD, "measured")
    assert told["T01", "bar length"] == (INFERRED, "as planned")
    assert told["T01", "visits"] == (INFERRED, "by changes of mode")
    assert told["T01", "spindle speed"] == (TOLD, "main")
    assert told["T01", "spindle load"] == (MISSING, "")


def test_facts_say_by_what_figures_were_made():
    more = {
        "parts": table(PARTS, {"machine": "T01", "at": hours(1), "evidence": "program completed"}),
        "reloads": table(RELOADS, {"machine": "T01", "start": hours(1), "evidence": "REMAINING"}),
        "bars": table(BARS, {"machine": "T01", "loaded_at": hours(1), "remnant_basis": "inferred"}),
        "shift_figures": table(SHIFT_FIGURES, shift("T01", 2, 1.0, 0.0) | {"parts": 5, "good_parts": 4}),
    }
    told = told_by("PART_COUNT/ALL", "LENGTH/REMAINING", more=more)
    assert told["T01", "part counter"] == (INFERRED, "program completed")
    assert told["T01", "bar changes"] == (INFERRED, "REMAINING")
    assert told["T01", "remnant"] == (INFERRED, "from the parts made")
    assert told["T01", "quality"] == (INFERRED, "scrap lists")


def test_ways_of_many_days_tell_those_of_fewer():
    """Counted by programs on Monday, by a counter on Tuesday: 23:30 UTC of Monday is Tuesday in Berlin."""
    counted = [
        {"machine": "T01", "at": hours(at), "evidence": evidence}
        for at, evidence in ((1, "program completed"), (22.5, "counter ALL"), (23.5, "counter GOOD"), (99, "no day"))
    ]
    facts = {
        "parts": table(PARTS, *counted),
        "reloads": RELOADS.empty(),
        "bars": BARS.empty(),
        "shift_plans": SHIFT_PLANS.empty(),
        "shift_figures": table(SHIFT_FIGURES, shift("T01", 2, 1.0, 0.0) | {"parts": 5, "good_parts": 4}),
    }
    both = replace(DAYS, zone="Europe/Berlin")
    ways, tuesday = last_ways(facts, both), replace(both, first=date(2026, 3, 3))
    told = {
        name: dict(
            log_tells(ways, table(CARRIED), site(), days).filter(machine="T01").select("need", "how").iter_rows()
        )
        for name, days in (("both", both), ("tuesday", tuesday))
    }
    assert told["both"]["part counter"] == "counter ALL, counter GOOD, program completed"
    assert told["tuesday"]["part counter"] == "counter GOOD"
    assert (told["both"]["quality"], told["tuesday"]["quality"]) == ("scrap lists", "")


# --- the verdict ---------------------------------------------------------------------------------


def verdict(**given: object) -> list[soundness.Finding]:
    """Of a shop in which all is well but for what is given."""
    quiet = {
        "problems": [],
        "told": soundness.with_silence(soundness.sources(table(PROGRESS), hours(1)), site(), hours(1)),
        "machines": soundness.machine_coverage(
            soundness.coverage({"shift_figures": SHIFT_FIGURES.empty()}, site(), DAYS), site()
        ),
        "remarks": soundness.file_remarks(PROGRESS.empty(), DAYS),
        "unmapped": unmapped_codes(unruled({"alarms": ALARMS.empty(), "stops": STOPS.empty()}, site(), DAYS), DAYS),
        "zone": "Europe/Berlin",
        "watched": True,
        "current": True,
    }
    return soundness.findings(**(quiet | given))  # type: ignore[arg-type]


def test_where_all_is_well_nothing_is_found():
    assert verdict() == []


def test_what_is_grave_comes_first():
    progress = table(PROGRESS, file("A", "a", 1, 1, offered=10_000), file("B", "b", 1, 1, offered=999))
    told = soundness.with_silence(soundness.sources(progress, hours(1)), site(), hours(1))
    found = verdict(
        problems=["the watcher lives no more: not heard of since 10:00"],
        told=told,
        unmapped=unmapped_codes(unruled(FACTS, site(), DAYS), DAYS),
        watched=False,
    )
    assert [(one.grave, one.what) for one in found] == [
        (True, "The watcher lives no more"),
        (True, "B: 1 of 999 values could not be read"),
        (True, "2 alarm codes without a cause stood for 3.0 h"),
        (False, "A: 1 of 10,000 values could not be read"),
    ]
    assert found[0].why == "not heard of since 10:00"


def test_a_store_that_nobody_watches_is_no_fault():
    assert [(one.grave, one.what) for one in verdict(watched=False)] == [(False, "No watcher lives")]


def test_facts_of_another_site_file_are_grave_unless_a_watcher_is_about_to_make_them():
    assert [one.what for one in verdict(current=False, watched=False) if one.grave] == [
        "Facts were made with another site file"
    ]
    assert verdict(current=False) == []


def test_low_coverage_is_told_by_machine_and_never_rounded_up_to_the_limit():
    """1 - 5.01 / 100 = 0.9499 is 94.9 %, not 95.0 %."""
    facts = {"shift_figures": table(SHIFT_FIGURES, shift("T01", 2, 100.0, 5.01))}
    machines = soundness.machine_coverage(soundness.coverage(facts, site(), DAYS), site())
    (found,) = verdict(machines=machines)
    assert (found.grave, found.what) == (True, "T01 has a signal for 94.9 % of its planned time")


def test_many_thin_machines_are_one_finding():
    rows = [shift(f"M{number}", 2, 100.0, 50.0) for number in range(4)]
    facts = {"shift_figures": table(SHIFT_FIGURES, *rows)}
    machines = soundness.machine_coverage(soundness.coverage(facts, site(), DAYS), site())
    assert [one.what for one in verdict(machines=machines)] == [
        "4 machines have a signal for too little of their planned time"
    ]


def test_a_source_that_fell_silent_is_told_with_the_shops_clock():
    """Last heard of Monday 10:00 UTC, 11:00 in Berlin; 4 + 8 h planned until Tuesday night."""
    at = hours(46)
    told = soundness.with_silence(soundness.sources(table(PROGRESS, file("T01 log", "a", 10, 10)), at), site(), at)
    found = [one for one in verdict(told=told) if one.grave and "silent" in one.what]
    assert [(one.what, one.why) for one in found] == [
        ("T01 log is silent since Mon 2 Mar 11:00", "12 planned hours since are in no figure")
    ]
