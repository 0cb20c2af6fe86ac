"""Tonight from facts: what runs now or was loaded, what to fix first, and what is said where nothing is known."""

from datetime import UTC, datetime, timedelta

import polars as pl
import pytest
from figures.runs import SITE, START, night, night_facts, site_of
from figures.shop import shop

from runlog.figures.cautions import CAUTIONS
from runlog.figures.tonight import NOTHING_KNOWN, tonight_review

BEFORE = START + timedelta(days=60, hours=-7)
"""Three in the afternoon of the night after sixty."""


def loaded(*rows: tuple[str, str, int | None], at: datetime = START + timedelta(days=60)) -> pl.DataFrame:
    kinds = {"machine": pl.String, "job": pl.String, "bars": pl.Int64, "parts_left": pl.Int64}
    told = [(*row, 0) for row in rows]
    return pl.DataFrame(told, schema=kinds, orient="row").with_columns(at=pl.lit(at, pl.Datetime("us", "UTC")))


def row(review, machine: str) -> dict:
    return review.machines.row(by_predicate=pl.col("machine") == machine, named=True)


@pytest.fixture(scope="module")
def facts() -> dict[str, pl.LazyFrame]:
    """T01 jams every fifth night, at 1, 3, 5 or 7 h; T02 breaks a tool every tenth at 4 h; nobody ran the pin."""
    jams = {n: (1.0 + 2 * (n // 5 % 4), "stop", "bar jammed") for n in range(0, 60, 5)}
    nights = [night("T01", n, *jams.get(n, ())) for n in range(60)]
    nights += [night("T02", n, *((4.0, "stop", "tool broken") if n % 10 == 0 else ())) for n in range(60)]
    return night_facts(*nights)


def test_without_a_plan_it_is_the_job_on_the_machine_and_the_next_unattended_shift(facts):
    review = tonight_review(facts, SITE, BEFORE)
    assert set(review.machines["machine"]) == {"T01", "T02"}
    assert set(review.machines["at"]) == {START + timedelta(days=60)}
    one = row(review, "T01")
    assert (one["job"], one["bars"], one["bars_basis"]) == ("bush", 20, "magazine")
    assert any("Taken as full" in note and "T01, T02" in note for note in review.notes)
    assert review.cautions == CAUTIONS


def test_of_many_full_magazines_a_note_names_some():
    names = [f"T{number:02}" for number in range(1, 13)]
    review = tonight_review(night_facts(*(night(name, 0) for name in names)), site_of(*names), BEFORE)
    (note,) = (one for one in review.notes if "Taken as full" in one)
    assert note.endswith("the magazines of T01, T02, T03, T04, T05, T06, T07, T08 and 4 more.")


def test_the_machine_that_stops_more_often_comes_first_and_its_cause_is_named(facts):
    review = tonight_review(facts, SITE, BEFORE)
    assert review.machines["machine"].to_list() == ["T01", "T02"]
    assert 0.7 < row(review, "T01")["reach"] < 0.87
    assert review.fixes["cause"].to_list()[:2] == ["bar jammed", "tool broken"]
    assert review.fixes["worst"].to_list()[:2] == ["T01", "T02"]
    # 12 of 60 nights lose 4 of 8 h on average, half of 375 parts: 37 a night.
    assert review.fixes["gained_parts"][0] == pytest.approx(37.5, rel=0.15)


def test_gains_of_all_causes_together_are_less_than_what_is_lost(facts):
    review = tonight_review(facts, SITE, BEFORE)
    for machine in ("T01", "T02"):
        one = row(review, machine)
        gained = review.gains.filter(pl.col("machine") == machine)["gained_parts"].sum()
        assert 0 < gained < 1.5 * (one["planned_end_parts"] - one["parts"])


def test_the_plan_says_how_many_bars_there_are(facts):
    review = tonight_review(facts, SITE, BEFORE, plan=loaded(("T01", "bush", 6), ("T02", "pin", None)))
    one = row(review, "T01")
    # Six bars of 24 parts from an empty spindle: 6 x 1840 s = 3 h 4 min; by history at the pace of the plan.
    assert one["planned_end_parts"] == 144
    assert abs(one["bars_out_at"] - (START + timedelta(days=60, seconds=11_040))) < timedelta(minutes=2)
    assert "the last of 6 bars at" in one["finding"]
    assert one["bars_worth"] == 16
    assert "10 more bars are worth loading" in one["notes"]
    assert review.gains.row(0, named=True)["cause"] == "too few bars in the magazine"
    assert row(review, "T02")["bars_basis"] == "magazine"
    assert "pace of the machine" in row(review, "T02")["notes"]


def test_what_is_not_known_is_said(facts):
    review = tonight_review(facts, SITE, BEFORE, plan=loaded(("T03", "bush", 5), ("T01", "no job", 5)))
    assert "no unattended run of this machine yet" in row(review, "T03")["notes"]
    assert row(review, "T01")["finding"].startswith("no job known")
    assert row(review, "T01")["reach"] is None
    nothing = tonight_review(night_facts(), SITE, BEFORE, plan=loaded(("T01", "bush", 5)))
    assert row(nothing, "T01")["finding"] == NOTHING_KNOWN
    assert (nothing.fixes.height, nothing.check.summary["nights"].item()) == (0, 0)


def test_a_start_in_an_attended_shift_is_told(facts):
    at = START + timedelta(days=60, hours=-3)
    one = row(tonight_review(facts, SITE, BEFORE, plan=loaded(("T01", "bush", 20), at=at)), "T01")
    assert (one["hours"], one["attended"]) == (3.0, True)
    assert "how far it would get alone" in one["notes"]


def test_an_old_log_is_said_to_be_old(facts):
    assert not any("ago" in note for note in tonight_review(facts, SITE, BEFORE).notes)
    later = tonight_review(facts, SITE, BEFORE + timedelta(days=10))
    assert any("The log ends 10 days ago" in note for note in later.notes)


def test_the_same_question_gets_the_same_answer(facts):
    one, other = (tonight_review(facts, SITE, BEFORE) for _ in range(2))
    assert one.machines.equals(other.machines)
    assert one.gains.equals(other.gains)


def test_a_simulated_shop():
    """Twelve days: every machine is forecast, good parts where the machine counts them, orders by what is left."""
    facts, site, _ = shop()
    review = tonight_review(facts, site, datetime(2026, 10, 17, 12, tzinfo=UTC))
    assert review.machines["reach"].is_between(0, 1).all()
    assert (review.machines["parts_low"] <= review.machines["parts_high"]).all()
    assert (review.machines["reach_low"] <= review.machines["reach"]).all()
    assert (review.machines["reach"] <= review.machines["reach_high"]).all()
    assert row(review, "T03")["good_parts"] <= row(review, "T03")["parts"]
    assert row(review, "T01")["good_parts"] is None
    assert review.check.summary["nights"].item() > 20
