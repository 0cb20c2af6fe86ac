"""Charts as data: what is drawn, where, and that colour is never alone in saying it."""

import dataclasses
from datetime import UTC, datetime
from itertools import combinations
from typing import Any

import altair as alt
import charts
import clock
import marks
import polars as pl
import pytest
import theme
from jsonschema import ValidationError

from runlog.figures.night import NightReview, Window
from runlog.schema import OUTCOMES, SPAN_KINDS

LOOKS = [pytest.param(theme.LIGHT, id="light"), pytest.param(theme.DARK, id="dark")]


def rows(spec: dict[str, Any]) -> list[list[dict[str, Any]]]:
    """Layers of every machine's row; the key above them left out."""
    return [row["layer"] for row in spec["vconcat"][1:]]


def shown(spec: dict[str, Any], layer: dict[str, Any]) -> list[dict[str, Any]]:
    """What a layer draws."""
    return layer["data"]["values"] if "values" in layer["data"] else spec["datasets"][layer["data"]["name"]]


def layers_with(spec: dict[str, Any], row: int, field: str) -> list[dict[str, Any]]:
    return [one for one in rows(spec)[row] if shown(spec, one) and field in shown(spec, one)[0]]


@pytest.fixture(scope="module")
def spec(review: NightReview) -> dict[str, Any]:
    return charts.night_drawing(review, ["T01", "T02", "T03"], theme.LIGHT)


def test_one_row_a_machine_in_the_order_asked_for(spec):
    assert len(rows(spec)) == 3


def test_the_drawing_is_valid_vega_lite(spec):
    alt.VConcatChart.from_dict(spec)
    broken = spec | {"vconcat": [{"layer": [{"mark": "no such mark"}]}]}
    with pytest.raises(ValidationError):
        alt.VConcatChart.from_dict(broken)


def test_what_is_not_finite_is_drawn_as_not_known(review):
    never = review.reloads.with_columns(planned_s=pl.lit(float("inf")))
    spec = charts.night_drawing(dataclasses.replace(review, reloads=never), ["T01"], theme.LIGHT)
    (changes,) = [one for one in rows(spec)[0] if one["mark"]["type"] == "point"]
    assert {one["planned_s"] for one in shown(spec, changes)} == {None}


def test_made_parts_end_at_what_was_made_and_the_plan_where_bars_end_it(spec):
    (made,) = [one for one in layers_with(spec, 0, "made") if one["mark"]["type"] == "area"]
    (planned,) = [one for one in rows(spec)[0] if one["mark"]["type"] == "line"]
    assert shown(spec, made)[-1]["made"] == 71
    # 12 bars of 24 parts.
    assert max(point["planned"] for point in shown(spec, planned)) == 288


def test_the_shortfall_is_said_in_parts(spec):
    (words,) = [one for one in layers_with(spec, 0, "words_at") if one["mark"]["type"] == "text"]
    assert shown(spec, words)[0]["said"] == "217 short"
    assert not layers_with(spec, 1, "words_at")


def test_the_strip_tells_the_stop_by_its_cause_from_its_start(spec):
    (words,) = [one for one in layers_with(spec, 0, "minutes") if one["mark"]["type"] == "text"]
    assert [(one["said"], one["start_local"]) for one in shown(spec, words)] == [("misfeed", "Mon 23:33:22")]


def test_the_words_over_a_stop_tell_and_lead_where_the_stop_does(spec):
    """They lie over it: the mouse finds them in its place."""
    strip, words = ([one for one in rows(spec)[0] if one["mark"]["type"] == mark][-1] for mark in ("rect", "text"))
    assert "misfeed" in [one["said"] for one in shown(spec, words)]
    for channel in ("tooltip", "href"):
        assert words["encoding"][channel] == strip["encoding"][channel]
    told = {one["field"] for one in words["encoding"]["tooltip"]} | {"href"}
    stops = [{name: one[name] for name in told} for one in shown(spec, strip)]
    assert all({name: one[name] for name in told} in stops for one in shown(spec, words))


def test_the_mouse_is_never_told_a_null_or_the_milliseconds_of_an_instant(spec):
    assert spec["config"]["mark"]["tooltip"] is None
    told = [
        (row, one["field"])
        for layers in rows(spec)
        for layer in layers
        for one in layer["encoding"].get("tooltip", [])
        for row in shown(spec, layer)
    ]
    assert told
    assert not [(field, row) for row, field in told if row[field] is None]
    assert not {field for _, field in told} & {"at", "start", "end"}


def test_bar_changes_are_marked_where_they_began(spec):
    (changes,) = [one for one in rows(spec)[0] if one["mark"]["type"] == "point"]
    # Two bars of 24 cycles of 78 s from 21:58:00 each, less the pause; the change between them takes 38 s.
    assert [(one["outcome"], one["start_local"]) for one in shown(spec, changes)] == [
        ("clean", "Mon 22:29:09"),
        ("clean", "Mon 23:00:59"),
        ("failed", "Mon 23:32:49"),
    ]


def test_a_machine_without_a_log_gets_words_and_no_line_along_zero(spec):
    assert [one["said"] for one in shown(spec, rows(spec)[2][-2])] == ["no log of this night"]
    (made,) = [one for one in rows(spec)[2] if one["mark"]["type"] == "area"]
    assert shown(spec, made) == []


def test_axes_carry_units(spec, review):
    made = next(one for one in rows(spec)[0] if one["mark"]["type"] == "area")
    assert made["encoding"]["y"]["axis"]["title"] == "parts"
    assert made["encoding"]["x"]["axis"]["title"] == "clock"
    time = charts.time_by_cause(review.time.filter(machine="T01"), theme.LIGHT).to_dict()
    assert time["layer"][0]["encoding"]["x"]["title"] == "time [h]"


def test_time_by_cause_starts_with_what_was_made_then_the_longest_loss(review):
    spec = charts.time_by_cause(review.time.filter(machine="T01"), theme.LIGHT).to_dict()
    bars = shown(spec, spec["layer"][0])
    # 6 h 26 min 38 s from 23:33:22 to 06:00; 71 parts of 76.67 s.
    assert [(bar["label"], bar["said"]) for bar in bars[:2]] == [
        ("parts made", "1.51 h, 71.0 parts"),
        ("misfeed", "6.44 h, 302.6 parts"),
    ]


def test_a_night_still_running_says_where_the_log_ends(review):
    at = datetime(2026, 11, 24, 1, 30, tzinfo=UTC)
    running = dataclasses.replace(review, window=dataclasses.replace(review.window, seen_to=at))
    spec = charts.night_drawing(running, ["T02"], theme.LIGHT)
    said = [row.get("said") for layer in rows(spec)[0] for row in shown(spec, layer)]
    assert "log ends" in said


# --- the clock -----------------------------------------------------------------------------------


def window(start: str, end: str, zone: str = "Europe/Berlin") -> Window:
    first, last = (datetime.fromisoformat(at).replace(tzinfo=UTC) for at in (start, end))
    return Window(first.date(), first, last, last, last, zone, False)


def test_hours_are_the_sites():
    labels = [label for _, label in clock.hour_ticks(window("2026-11-23T21:00", "2026-11-24T05:00"))]
    assert labels == ["22:00", "23:00", "00:00", "01:00", "02:00", "03:00", "04:00", "05:00", "06:00"]


def test_the_repeated_hour_is_drawn_twice():
    labels = [label for _, label in clock.hour_ticks(window("2026-10-24T20:00", "2026-10-25T05:00"))]
    assert labels[3:7] == ["01:00", "02:00 CEST", "02:00 CET", "03:00"]
    assert len(labels) == 10


def test_the_missing_hour_is_not_drawn():
    labels = [label for _, label in clock.hour_ticks(window("2026-03-28T21:00", "2026-03-29T04:00"))]
    assert labels[3:6] == ["01:00 CET", "03:00 CEST", "04:00"]


def test_a_weekend_has_weekdays_and_few_labels():
    labels = [label for _, label in clock.hour_ticks(window("2026-11-20T21:00", "2026-11-23T05:00"))]
    assert labels[:2] == ["Sat 00:00", "Sat 06:00"]
    assert len(labels) == 10


def test_a_zone_off_the_full_hour_still_gets_its_hours():
    labels = [label for _, label in clock.hour_ticks(window("2026-11-23T16:30", "2026-11-24T00:30", "Asia/Kolkata"))]
    assert labels[:2] == ["22:00", "23:00"]


# --- colour and shape ----------------------------------------------------------------------------


def test_contrast_matches_published_values():
    """Anchors of WCAG 2.1: #767676 on white is 4.54, and #949494 is the lightest grey above 3."""
    assert theme.contrast("#767676", "#FFFFFF") == pytest.approx(4.5422, abs=5e-5)
    assert theme.contrast("#949494", "#FFFFFF") == pytest.approx(3.0335, abs=5e-5)
    assert theme.contrast("#000000", "#FFFFFF") == pytest.approx(21)


@pytest.mark.parametrize("look", LOOKS)
@pytest.mark.parametrize("kind", SPAN_KINDS)
def test_every_span_stands_out_by_its_fill_or_its_outline(look, kind):
    edge = look.ink if kind in theme.OUTLINED else look.fill(kind)
    assert theme.contrast(edge, look.paper) >= 3


@pytest.mark.parametrize("look", LOOKS)
def test_text_reads_on_paper_and_on_the_area_under_the_line(look):
    assert theme.contrast(look.ink, look.paper) >= 7
    assert theme.contrast(look.faint, look.paper) >= 4.5


def test_kinds_of_span_differ_in_height_or_place():
    assert set(marks.STRIP_PX) == set(SPAN_KINDS)
    assert all(one != other for one, other in combinations(marks.STRIP_PX.values(), 2))


def test_outcomes_differ_in_shape_and_only_faults_are_filled():
    assert list(marks.SHAPES) == list(OUTCOMES)
    assert len(set(marks.SHAPES.values())) == len(OUTCOMES)
    assert marks.FILLED == ("retried", "failed")


def test_the_key_names_every_mark():
    spec = marks.key(theme.LIGHT).to_dict()
    said = {row["said"] for rows in spec["datasets"].values() for row in rows}
    assert said >= {"parts made", "planned", *SPAN_KINDS, *OUTCOMES}


def test_blocks_of_every_kind_are_where_the_strip_has_them():
    spec = marks.blocks(pl.DataFrame({"kind": list(SPAN_KINDS)}), theme.LIGHT).to_dict()
    (drawn,) = spec["datasets"].values()
    assert {row["kind"]: (row["top"], row["bottom"]) for row in drawn} == marks.STRIP_PX
