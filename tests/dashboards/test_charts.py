"""Charts as data: what is drawn, where, and that colour is never alone in saying it."""

import dataclasses
from datetime import UTC, datetime
from itertools import combinations, pairwise
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


def shown(spec: dict[str, Any], layer: dict[str, Any]) -> list[dict[str, Any]]:
    """What a layer draws."""
    if "values" in layer["data"]:
        return layer["data"]["values"]
    rows = spec["datasets"][layer["data"]["name"]]
    return rows.to_dicts() if isinstance(rows, pl.DataFrame) else rows


def layers(spec: dict[str, Any]) -> list[dict[str, Any]]:
    """Of the rows of the night, without the key above them."""
    return spec["vconcat"][1]["layer"]


def layers_of(spec: dict[str, Any], name: str) -> list[dict[str, Any]]:
    """The layers that draw some data."""
    return [one for one in layers(spec) if one["data"].get("name") == name]


def layer_of(spec: dict[str, Any], name: str) -> dict[str, Any]:
    """The layer that draws some data, alone in doing so."""
    (layer,) = layers_of(spec, name)
    return layer


def in_row(spec: dict[str, Any], name: str, number: int, y: str = "y") -> list[dict[str, Any]]:
    """What is drawn in the row of a machine."""
    top, end = theme.ROW_PX * number, theme.ROW_PX * (number + 1)
    return spec["datasets"][name].filter(pl.col(y).is_between(top, end, closed="left")).to_dicts()


@pytest.fixture(scope="module")
def spec(review: NightReview) -> dict[str, Any]:
    return charts.night_drawing(review, ["T01", "T02", "T03"], theme.LIGHT)


def test_one_row_a_machine_in_the_order_asked_for(spec, review):
    assert spec["vconcat"][1]["height"] == 3 * theme.ROW_PX - theme.GAP_PX
    # Planned are 12 bars of 24 parts, 8 h of 76.67 s, and of T03, which has no log, nothing.
    assert [in_row(spec, "labels", number)[1]["said"] for number in range(3)] == ["288", "375", "1"]
    turned = charts.night_drawing(review, ["T02", "T01"], theme.LIGHT)
    assert [in_row(turned, "labels", number)[1]["said"] for number in range(2)] == ["375", "288"]
    assert {one["machine"] for one in in_row(turned, "made", 1)} == {"T01"}


def test_the_drawing_is_valid_vega_lite(spec, review):
    for drawn in (spec, charts.with_names(spec, ["T01", "T02", "T03"], theme.LIGHT)):
        told = drawn | {"datasets": {name: rows.to_dicts() for name, rows in drawn["datasets"].items()}}
        alt.VConcatChart.from_dict(told)
        broken = told | {"vconcat": [{"layer": [{"mark": "no such mark"}]}]}
        with pytest.raises(ValidationError):
            alt.VConcatChart.from_dict(broken)


def test_a_night_changes_the_rows_of_the_drawing_and_not_its_form(spec, review):
    """A browser keeps a drawing whose form stays, and reads a new one for a fifth of a second."""
    at = datetime(2026, 11, 24, 1, 30, tzinfo=UTC)
    other = dataclasses.replace(
        review, window=dataclasses.replace(review.window, seen_to=at), strip=review.strip.clear(), line=review.line
    )
    drawn = charts.night_drawing(other, ["T02", "T03", "T01"], theme.LIGHT)
    assert {**drawn, "datasets": None} == {**spec, "datasets": None}
    assert {name: rows.schema for name, rows in drawn["datasets"].items()} == {
        name: rows.schema for name, rows in spec["datasets"].items()
    }


def test_all_data_of_the_form_are_there(spec):
    assert {one["data"]["name"] for one in layers(spec) if "name" in one["data"]} == set(spec["datasets"])


@pytest.mark.parametrize("never", [None, float("inf"), float("nan")])
def test_what_is_not_known_is_told_as_not_known(review, never):
    """A browser tells a number that is missing as zero."""
    reloads = review.reloads.with_columns(planned_s=pl.lit(never, pl.Float64))
    spec = charts.night_drawing(dataclasses.replace(review, reloads=reloads), ["T01"], theme.LIGHT)
    assert {one["planned_s"] for one in in_row(spec, "changes", 0)} == {"–"}
    took = review.reloads.filter(machine="T01")["duration_s"]
    assert [one["duration_s"] for one in in_row(spec, "changes", 0)] == [f"{one:.0f}" for one in took]


def test_made_parts_end_at_what_was_made_and_the_plan_where_bars_end_it(spec):
    made, planned = (in_row(spec, name, 0) for name in ("made", "planned"))
    assert made[-1]["made"] == 71
    # 12 bars of 24 parts.
    assert max(point["planned"] for point in planned) == 288
    low, high = marks.LINE_PX
    assert made[0]["y"] == made[0]["zero"] == low
    assert made[-1]["y"] == pytest.approx(low + (high - low) * 71 / 288)
    assert min(point["y"] for point in planned) == high


@pytest.mark.parametrize("parts", [1, 30, 91, 3000])
def test_a_line_of_many_parts_is_drawn_by_those_that_are_seen(review, parts: int):
    """Left out is what changes the line by less than half a pixel; it ends with the last part."""
    start = review.window.start
    made = pl.DataFrame({"made": [float(number) for number in range(parts + 1)]}).with_columns(
        machine=pl.lit("T01"), at=start + pl.duration(seconds=pl.col("made")), planned=pl.lit(None, pl.Float64)
    )
    line = made.select(review.line.columns).cast(dict(review.line.schema))
    drawn = in_row(charts.night_drawing(dataclasses.replace(review, line=line), ["T01"], theme.LIGHT), "made", 0)
    assert len(drawn) <= 2 * (marks.LINE_PX[0] - marks.LINE_PX[1]) + 2
    assert (drawn[0]["made"], drawn[-1]["made"]) == (0, parts)
    assert all(0 < after["made"] - one["made"] <= max(1, parts / 90 + 1) for one, after in pairwise(drawn))
    if parts <= 30:
        assert len(drawn) == parts + 1


def test_the_shortfall_is_said_in_parts(spec):
    (short,) = spec["datasets"]["short"].to_dicts()
    assert short["said"] == "217 short"
    low, high = marks.LINE_PX
    # From 71 to 288 of 288 parts, the words between them: little is made, so there is room.
    assert (short["made"], short["planned"]) == pytest.approx((low + (high - low) * 71 / 288, high))
    assert short["words"] == pytest.approx((short["made"] + short["planned"]) / 2)


def test_the_strip_tells_the_stop_by_its_cause_from_its_start(spec):
    told = [(one["said"], one["start_local"]) for one in in_row(spec, "named", 0)]
    assert told == [("misfeed", "Mon 23:33:22")]


def test_the_words_over_a_stop_tell_and_lead_where_the_stop_does(spec):
    """They lie over it: the mouse finds them in its place."""
    both = zip(layers_of(spec, "spans"), layers_of(spec, "named"), strict=True)
    for strip, words in both:
        assert "misfeed" in [one["said"] for one in shown(spec, words)]
        for channel in ("tooltip", "href"):
            assert words["encoding"].get(channel) == strip["encoding"].get(channel)
        told = {one["field"] for one in words["encoding"]["tooltip"]} | {"href"}
        stops = [{name: one[name] for name in told} for one in shown(spec, strip)]
        assert all({name: one[name] for name in told} in stops for one in shown(spec, words))


def test_a_link_of_the_drawing_keeps_what_is_chosen_on_the_page(review):
    drawn = charts.night_drawing(review, ["T01"], theme.LIGHT, (("machine", "T01"), ("all", "yes")))
    links = drawn["datasets"]["spans"]["href"].drop_nulls().to_list()
    assert "?night=2026-11-23&machine=T01&all=yes&stop=T01+2026-11-23T22:33:22Z" in links


def test_the_worst_of_a_night_are_read_aloud(review):
    said = charts.night_said(review.machines)
    assert said.startswith("Parts made against the plan")
    assert "T01: stopped at 23:33: misfeed" in said
    four = charts.night_said(pl.concat([review.machines, review.machines.head(1)]))
    assert four.endswith("1 more in the list beside it.")


@pytest.mark.parametrize("name", ["spans", "named"])
def test_a_click_leads_somewhere_or_nowhere_but_never_to_null(spec, name):
    still, leading = layers_of(spec, name)
    assert [one["filter"] for one in still["transform"]] == ["!isValid(datum.href)"]
    assert [one["filter"] for one in leading["transform"]] == ["isValid(datum.href)"]
    assert "href" not in still["encoding"]
    assert leading["encoding"]["href"]["field"] == "href"


def test_the_mouse_is_never_told_a_null_or_the_milliseconds_of_an_instant(spec):
    assert spec["config"]["mark"]["tooltip"] is None
    told = [
        (row, one["field"])
        for layer in layers(spec)
        for one in layer["encoding"].get("tooltip", [])
        for row in shown(spec, layer)
    ]
    assert told
    assert not [(field, row) for row, field in told if row[field] is None]
    assert not {field for _, field in told} & {"at", "start", "end"}


def test_bar_changes_are_marked_where_they_began(spec):
    # Two bars of 24 cycles of 78 s from 21:58:00 each, less the pause; the change between them takes 38 s.
    assert [(one["outcome"], one["start_local"]) for one in in_row(spec, "changes", 0)] == [
        ("clean", "Mon 22:29:09"),
        ("clean", "Mon 23:00:59"),
        ("failed", "Mon 23:32:49"),
    ]
    # The night begins at 22:00.
    assert [one["start"] for one in in_row(spec, "changes", 0)] == [1_749_000, 3_659_000, 5_569_000]


def test_a_machine_without_a_log_gets_words_and_no_line_along_zero(spec):
    assert [one["said"] for one in in_row(spec, "remarks", 2)] == ["no log of this night"]
    assert in_row(spec, "made", 2) == []


def test_axes_carry_units(spec, review):
    said = {layer["encoding"]["text"].get("value") for layer in layers(spec) if "text" in layer["encoding"]}
    assert "parts" in said
    assert {"said": "clock"} in [row for layer in layers(spec) for row in shown(spec, layer)]
    time = charts.time_by_cause(review.time.filter(machine="T01"), theme.LIGHT)
    assert time["layer"][0]["encoding"]["x"]["title"] == "time [h]"


def test_time_by_cause_starts_with_what_was_made_then_the_longest_loss(review):
    time = review.time.filter(machine="T01")
    bars = charts.time_by_cause(time, theme.LIGHT)["datasets"]["rows"].to_dicts()
    # 6 h 26 min 38 s from 23:33:22 to 06:00; 71 parts of 76.67 s.
    assert [(bar["label"], bar["said"]) for bar in bars[:2]] == [
        ("parts made", "1.51 h, 71.0 parts"),
        ("misfeed", "6.44 h, 302.6 parts"),
    ]
    assert charts.time_said("T01", time).startswith(
        "Where the planned time of T01 went: parts made 1.51 h, 71.0 parts; misfeed 6.44 h, 302.6 parts"
    )


def test_a_night_still_running_says_where_the_log_ends(review):
    at = datetime(2026, 11, 24, 1, 30, tzinfo=UTC)
    running = dataclasses.replace(review, window=dataclasses.replace(review.window, seen_to=at))
    spec = charts.night_drawing(running, ["T02"], theme.LIGHT)
    assert [one["said"] for one in in_row(spec, "remarks", 0)] == ["log ends"]
    # 22:00 to 02:30.
    assert spec["datasets"]["end"]["at"].to_list() == [4.5 * 3_600_000]


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
    spec = marks.blocks(marks.in_blocks(pl.DataFrame({"kind": list(SPAN_KINDS)}), theme.LIGHT)).to_dict()
    (drawn,) = spec["datasets"].values()
    assert {row["kind"]: (row["top"], row["bottom"]) for row in drawn} == marks.STRIP_PX
