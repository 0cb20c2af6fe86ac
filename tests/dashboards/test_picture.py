"""Charts as files: what is on the page is in them, texts of logs are text, and what goes wrong is said."""

import dataclasses
import json
import logging
import struct
import xml.etree.ElementTree as Xml
from collections.abc import Callable
from pathlib import Path
from typing import Any

import charts
import picture
import picture_maker
import polars as pl
import pytest
import theme
from dashboards.pages import html

from runlog.errors import RunlogError
from runlog.figures.night import NightReview

PAGES = [
    ("last_night", 2, {"clock", "parts", "T01", "time [h]"}),
    ("week", 4, {"time lost [h]; beside it the running share of all", "Mon 23 night", "parts made", "misfeed"}),
    ("reload_health", 1, {"T01", "T02", "faults per 100 reloads"}),
    ("tonight", 2, {"clock", "T02", "bars used up", "parts gained a night without it", "batch [parts]"}),
    ("sound", 2, {"T03", "23 Nov", "bar changes", "lost signal"}),
]
"""So many charts each page has of the small shop, at least, and what its pictures say among others."""
HOSTILE = "<script>alert(1)</script>\x07\x0b\ufffe]]>&\"' onload=x"
HARMLESS = "<script>alert(1)</script>\ufffd\ufffd\ufffd]]>&\"' onload=x"


def axis_titles(part: Any) -> set[str]:
    """Words beside the axes, wherever in a specification."""
    if isinstance(part, list):
        return set().union(*map(axis_titles, part))
    if not isinstance(part, dict):
        return set()
    own = {
        title
        for channel, told in part.get("encoding", {}).items()
        if channel in ("x", "y") and told.get("axis", {}) is not None
        for title in (told.get("title"), told.get("axis", {}).get("title"))
        if isinstance(title, str)
    }
    return own.union(*(axis_titles(part.get(inner, [])) for inner in ("vconcat", "layer")))


def texts(svg: bytes) -> list[Xml.Element]:
    return list(Xml.fromstring(svg).iter("{http://www.w3.org/2000/svg}text"))


def words(svg: bytes) -> list[str]:
    return [one.text or "" for one in texts(svg)]


def size_of(png: bytes) -> tuple[int, int]:
    assert png.startswith(b"\x89PNG\r\n\x1a\n")
    wide, high = struct.unpack(">II", png[16:24])
    return wide, high


@pytest.mark.parametrize(("page", "number", "said"), PAGES, ids=lambda one: one if isinstance(one, str) else "")
def test_every_chart_of_a_page_leaves_as_a_picture_with_its_axes(
    opened, shop_on_disk, taken, monkeypatch: pytest.MonkeyPatch, page: str, number: int, said: set[str]
):
    """On dark paper, where a word whose colour nobody chose is black on black."""
    monkeypatch.setattr(theme, "look", lambda: theme.DARK)
    app = opened(*shop_on_disk, page=page)
    buttons = [one.proto.label for one in app.get("download_button")]
    # The shifts of a week are a table on the page, which is drawn for its picture alone.
    tables = html(app).count('class="rl-tiles"')
    assert len(taken) == len(app.get("vega_lite_chart")) + tables >= number
    told = set()
    for spec, title in taken:
        assert {f"{title} as SVG", f"{title} as PNG"} <= set(buttons)
        svg = picture_maker.made(picture.by_itself(spec, theme.DARK), "SVG")
        assert all(theme.contrast(one.attrib["fill"], theme.DARK.paper) >= 4.5 for one in texts(svg))
        assert axis_titles(spec) <= set(words(svg))
        assert '"sort": null' not in json.dumps(spec, default=str), "a browser keeps the order of earlier rows"
        told |= set(words(svg))
    assert said <= told
    wide, high = size_of(picture_maker.made(picture.by_itself(taken[0][0], theme.DARK), "PNG"))
    assert wide >= picture.WIDTH_PX * picture_maker.SCALE
    assert high > 100


def renamed(review: NightReview, name: str) -> NightReview:
    """The night of a T01 that is called otherwise, and of causes called so, too."""
    told = {
        one.name: getattr(review, one.name).with_columns(pl.col("machine").replace("T01", name))
        for one in dataclasses.fields(review)
        if isinstance(getattr(review, one.name), pl.DataFrame) and "machine" in getattr(review, one.name).columns
    }
    told["strip"] = told["strip"].with_columns(pl.col("cause").replace("misfeed", name))
    return dataclasses.replace(review, **told)


@pytest.fixture(scope="module")
def hostile(review: NightReview) -> dict[str, Any]:
    machines = [HOSTILE, "T02"]
    drawn = charts.night_drawing(renamed(review, HOSTILE), machines, theme.LIGHT)
    return charts.with_names(drawn, machines, theme.LIGHT)


def test_texts_of_a_log_stay_text_in_an_svg(hostile: dict[str, Any]):
    svg = picture.drawn(hostile, "SVG", theme.LIGHT)
    told = Xml.fromstring(svg)
    # The strip names the cause, and the row its machine.
    assert len([one for one in words(svg) if one.startswith("<script>alert(1)")]) == 2
    assert HARMLESS in words(svg)
    assert {"T02", "clock", "parts", "217 short"} <= set(words(svg))
    assert not [one.tag for one in told.iter() if one.tag.endswith(("script", "foreignObject", "image", "}a"))]
    assert not [name for one in told.iter() for name in one.attrib if name.startswith("on") or "href" in name]


def test_texts_of_a_log_do_not_end_the_making_of_a_png(hostile: dict[str, Any]):
    assert size_of(picture.drawn(hostile, "PNG", theme.LIGHT))[0] > picture.WIDTH_PX * picture_maker.SCALE


def test_a_picture_is_on_the_paper_of_its_look_and_leaves_the_page_as_it_is(review: NightReview):
    spec = charts.time_by_cause(review.time.filter(machine="T01"), theme.DARK)
    before = repr(spec)
    alone = picture.by_itself(spec, theme.DARK)
    svg = Xml.fromstring(picture_maker.made(alone, "SVG"))
    assert (svg.attrib["width"], svg[0].attrib["fill"]) == (str(picture.WIDTH_PX), theme.DARK.paper)
    assert repr(spec) == before


def test_nothing_is_fetched_for_a_picture():
    spec = {"data": {"url": "http://127.0.0.1:9/rows.json"}, "mark": "bar", "encoding": {}}
    with pytest.raises(RunlogError, match=r"not allowed: http://127\.0\.0\.1:9"):
        picture.drawn(spec, "SVG", theme.LIGHT)


def ends(monkeypatch: pytest.MonkeyPatch, folder: Path) -> None:
    monkeypatch.setattr(picture, "_MAKER", folder / "maker.py")
    (folder / "maker.py").write_text("import os; os.abort()")


def breaks(monkeypatch: pytest.MonkeyPatch, folder: Path) -> None:
    monkeypatch.setattr(picture, "_MAKER", folder / "maker.py")
    (folder / "maker.py").write_text("import no_such_library")


def lasts(monkeypatch: pytest.MonkeyPatch, folder: Path) -> None:
    monkeypatch.setattr(picture, "WAIT_S", 0.01)


def is_gone(monkeypatch: pytest.MonkeyPatch, folder: Path) -> None:
    monkeypatch.setattr(picture.sys, "executable", str(folder / "python"))


@pytest.mark.parametrize("so", [ends, breaks, lasts, is_gone], ids=lambda so: so.__name__)
def test_a_picture_that_cannot_be_made_is_a_sentence(so: Callable, monkeypatch: pytest.MonkeyPatch, tmp_path: Path):
    so(monkeypatch, tmp_path)
    with pytest.raises(RunlogError, match=r"^No picture could be made of this chart: .+[^\n]$"):
        picture.drawn({"mark": "bar"}, "SVG", theme.LIGHT)


def test_where_the_dashboard_runs_a_failure_is_a_sentence_and_no_traceback(caplog: pytest.LogCaptureFixture):
    logger = logging.getLogger("streamlit.runtime.backend_operation_handler")
    logger.addHandler(caplog.handler)
    for cause in (RunlogError("No picture."), ValueError("ours")):
        error = OSError()
        error.__cause__ = cause
        logger.error("Error executing %s", "it", exc_info=error)
    logger.removeHandler(caplog.handler)
    said = {(one.getMessage(), one.exc_info is not None) for one in caplog.records}
    assert said == {("No picture.", False), ("Error executing it", True)}
