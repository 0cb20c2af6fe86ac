"""What is said first of faults, and what a verdict is made of: nights counted by hand."""

from datetime import date, timedelta

import polars as pl
import pytest
from figures.nights import DAY, SHIFTS, SITE, facts, night
from polars.testing import assert_frame_equal

from runlog.figures.fault_health import fault_health
from runlog.figures.fault_pattern import TRENDS, fitted
from runlog.figures.findings import Lead, findings, lead
from runlog.figures.fixes import fix_checks
from runlog.figures.group_members import reloads_of, stops_of
from runlog.figures.judging import BY_HOURS, BY_RELOADS
from runlog.figures.pattern_words import pattern_words
from runlog.figures.reload_health import reload_health, reloads_within
from runlog.figures.reload_pattern import reload_pattern
from runlog.notes import fix_note, in_force
from runlog.site import parse_site

SHOP = parse_site(SITE)


def first_word(frames) -> Lead:
    health = reload_health(frames, SHOP)
    return lead(findings(health.groups, health.pairs, health.alike), health.groups, "reload faults", BY_RELOADS)


def chronic(bad: str = "c" * 9 + "r", good: str = "c" * 10):
    """Eight nights of ten reloads on two machines, one of them with a fault in each."""
    nights = [(machine, day) for machine in ("T01", "T02") for day in range(8)]
    return facts(*(night(machine, day, reloads=bad if machine == "T01" else good) for machine, day in nights))


def test_the_first_word_is_what_is_chronic():
    said = first_word(chronic())
    assert said.lead == "Chronic reload faults: machine T01"
    assert said.why == "10.0 per 100 reloads; all others 0.0"
    assert said.rest.startswith("All together: 8 faults in 160 reloads, 5.0 per 100")


def test_a_group_inside_is_named_with_the_machine():
    """T01 fails once a night in liner A, never in liner B; T02 never in either."""
    frames = facts(
        *(night("T01", day, reloads="c" * 9 + "r", liner="A") for day in range(0, 16, 2)),
        *(night("T01", day, reloads="c" * 10, liner="B") for day in range(1, 16, 2)),
        *(night("T02", day, reloads="c" * 10, liner="A" if day % 2 else "B") for day in range(16)),
    )
    said = first_word(frames)
    assert said.lead in (
        "Chronic reload faults: machine T01, liner A",
        "Chronic reload faults: liner A, machine T01",
    )
    # 8 faults in the 80 reloads that are both.
    assert said.why.startswith("10.0 faults per 100 reloads there, 0.0 in the rest of ")


@pytest.mark.parametrize(
    ("frames", "said"),
    [
        (chronic(bad="c" * 10), "No reload faults in this time"),
        (chronic(bad="uuu", good="u"), "No reload that counts in a rate began in this time"),
        (facts(night("T01", 0)), "No reload that counts in a rate began in this time"),
        (facts(night("T01", 0, reloads="c" * 40 + "r")), "Too few reload faults to tell a chronic one from bad luck"),
        # The same on both machines: 10 in 100 reloads of each, all above the goal of 1.
        (chronic(good="c" * 9 + "r"), "Nothing stands out, but all together are above the goal"),
    ],
)
def test_the_first_word_where_nothing_is_chronic(frames, said):
    assert first_word(frames).lead == said


def test_a_bad_night_is_called_a_bad_stretch():
    """T01: 8 of 10 in one night, none in seven; T02: one fault in 400 reloads."""
    bad = [night("T01", 0, reloads="rrrrrrrrcc"), *(night("T01", day, reloads="c" * 10) for day in range(1, 8))]
    good = [night("T02", day, reloads="c" * 50) for day in range(7)] + [night("T02", 7, reloads="c" * 49 + "r")]
    assert "machine T01" in first_word(facts(*bad, *good)).lead
    assert first_word(facts(*bad, *good)).lead.endswith("had a bad stretch")


def test_stops_are_told_against_hours():
    frames = facts(
        *(night("T01", day, stops="m") for day in range(8)), *(night("T02", day, stops="") for day in range(8))
    )
    health = fault_health(frames, SHOP, "misfeed")
    said = lead(findings(health.groups, health.pairs, health.alike), health.groups, "misfeed stops", BY_HOURS)
    assert said.lead == "Chronic misfeed stops: machine T01"
    # 8 in 64 h.
    assert said.why == "12.5 per 100 h run; all others 0.0"


# --- what a verdict is made of -------------------------------------------------------------------


def test_reloads_of_a_group_are_those_of_its_rate():
    frames = facts(night("T01", 0, reloads="cr"), night("T01", 1, reloads="fu"), night("T02", 0, reloads="cc"))
    found = reloads_of(frames, SHOP, "machine", "T01")
    (row,) = reload_health(frames, SHOP).groups.filter(dimension="machine", group="T01").iter_rows(named=True)
    assert found["outcome"].to_list() == ["unclear", "failed", "retried", "clean"]
    assert (found["rated"].sum(), found["fault"].sum()) == (row["reloads"], row["faults"]) == (3, 2)
    assert found.height - found["rated"].sum() == row["unrated"] == 1
    assert reloads_of(frames, SHOP, "machine", "T01", first=date(2026, 3, 3)).height == 2
    assert reloads_of(frames, SHOP, "machine", "T09").height == 0


def test_reloads_that_are_held_are_judged_and_shown_like_those_read():
    frames = facts(*(night("T01", day, reloads="crcu") for day in range(5)), night("T02", 2, reloads="cfu"))
    fixes = in_force(fix_note("T01", DAY.date() + timedelta(days=1), "new liner", SHOP, who="A").lazy())
    for days in ({}, {"first": DAY.date() + timedelta(days=2)}, {"last": DAY.date() + timedelta(days=2)}):
        asked = {**days, "fixes": fixes}
        held = reloads_within(frames, **days)
        alone, beside = reload_health(frames, SHOP, **asked), reload_health(frames, SHOP, **asked, held=held)
        for name in ("groups", "pairs", "alike"):
            assert_frame_equal(getattr(beside, name), getattr(alone, name))
        found = reloads_of(frames, SHOP, "machine", "T01", **asked)
        assert_frame_equal(reloads_of(frames, SHOP, "machine", "T01", **asked, held=held), found)


def test_a_machine_that_was_mended_shows_what_came_since():
    frames = facts(*(night("T01", day, reloads="cr") for day in range(4)))
    fixes = in_force(fix_note("T01", DAY.date() + timedelta(days=1), "new liner", SHOP, who="A").lazy())
    assert reloads_of(frames, SHOP, "machine", "T01", fixes=fixes).height == 4
    assert reloads_of(frames, SHOP, "machine", "T01", fixes=fixes, first=DAY.date()).height == 8


def test_a_fix_after_the_days_looked_at_leaves_them_whole():
    """Mended on day 3: up to the day before, all that the machine did counts; up to day 3, what came since."""
    frames = facts(*(night("T01", day, reloads="cr", stops="m") for day in range(6)))
    day = DAY.date() + timedelta(days=3)
    fixes = in_force(pl.concat([fix_note("T01", day, "new liner", SHOP, who="A", cause=cause) for cause in
                                (None, "misfeed")]).lazy())  # fmt: skip
    for last, nights in ((day - timedelta(days=1), 3), (day, 0), (None, 2)):
        health = reload_health(frames, SHOP, last=last, fixes=fixes)
        counted = health.groups.filter(dimension="machine")["reloads"].sum()
        assert counted == reloads_of(frames, SHOP, "machine", "T01", last=last, fixes=fixes).height == 2 * nights
        stops = fault_health(frames, SHOP, "misfeed", last=last, fixes=fixes).groups.filter(dimension="machine")
        assert stops["faults"].sum() == nights
        assert stops_of(frames, SHOP, "misfeed", "machine", "T01", last=last, fixes=fixes).height == nights


def test_reloads_name_the_night_that_reviews_them():
    """22:00 is in the night of 2 March; 21:50 of the day after in none."""
    shop = parse_site(SITE + SHIFTS)
    frames = facts(night("T01", 0, reloads="c" * 144))
    found = reloads_of(frames, shop, "machine", "T01").sort("start")
    assert found["night"].to_list()[:48] == [date(2026, 3, 2)] * 48
    assert found["night"].to_list()[48:] == [None] * 96


def test_stops_of_a_group():
    frames = facts(night("T01", 0, stops="mt"), night("T02", 0, stops="m"))
    assert stops_of(frames, SHOP, "misfeed", "machine", "T01")["cause"].to_list() == ["misfeed"]
    assert stops_of(frames, SHOP, "misfeed", "plant", "all")["machine"].to_list() == ["T01", "T02"]


# --- when they came ------------------------------------------------------------------------------


def test_reload_faults_from_one_night_on_are_a_step():
    """No fault in 200 reloads of 20 nights, then one in each of 20 nights of ten reloads."""
    frames = facts(*(night("T01", day, reloads="c" * 9 + ("r" if day >= 20 else "c")) for day in range(40)))
    pattern = reload_pattern(frames)
    (step,) = pattern.steps.iter_rows(named=True)
    assert (step["machine"], step["date"], step["verdict"]) == ("T01", date(2026, 3, 22), "more since")
    assert (step["reloads_before"], step["rate_before"], step["reloads_after"], step["rate_after"]) == (200, 0, 200, 10)
    assert pattern.points.filter(scope="T01")["reloads"].to_list() == [10 * day for day in range(21, 41)]
    assert pattern.points.filter(scope="T01")["hours"].to_list()[0] == pytest.approx(20 * 8 + 1.5)
    assert pattern_words(pattern.trends, pattern.steps)[0].startswith(
        "MORE SINCE  machine T01 from 2026-03-22 (night) on: 0.0 per 100 before, 10.0 after."
    )


def test_no_reload_has_no_pattern():
    pattern = reload_pattern(facts(night("T01", 0)))
    assert (pattern.points.height, pattern.trends.height, pattern.steps.height) == (0, 0, 0)
    assert pattern_words(pattern.trends, pattern.steps)[0].startswith("Over time: no trend")


def test_the_fitted_line_ends_at_what_was_counted():
    """Ten faults in 100 h by a law of slope 2: a quarter of them in the first half."""
    trends = pl.DataFrame(
        [{"scope": "T01", "clock": "hours", "faults": 10, "until": 100.0, "slope": 2.0}, {"scope": "T02", "faults": 1}],
        schema=TRENDS,
    )
    line = fitted(trends)
    assert line["scope"].unique().to_list() == ["T01"]
    assert line.filter(pl.col("at") == 50).select("law", "even").row(0) == (2.5, 5.0)
    assert line.tail(1).select("at", "law", "even").row(0) == (100, 10, 10)


def test_one_fix_can_be_compared_alone():
    frames = facts(*(night("T01", day, reloads="cr") for day in range(10)))
    days = [DAY.date() + timedelta(days=day) for day in (3, 6)]
    notes = pl.concat([fix_note("T01", day, f"liner {day}", SHOP, who="A") for day in days])
    fixes = in_force(notes.lazy())
    both, last = fix_checks(frames, SHOP, fixes), fix_checks(frames, SHOP, fixes, only=[fixes["note"][1]])
    assert last.rows() == both.tail(1).rows()
    # Two nights of two reloads between the fixes: the first one still bounds what counts as before.
    assert last["chances_before"][0] == 4
