"""Is the data sound, as a person meets it: a store as it should be, none, one without facts, a code without a cause."""

from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
import sound_charts
import sound_codes
import sound_tables
import theme
from streamlit.testing.v1 import AppTest

from dashboards import nights
from runlog.figures import soundness
from runlog.figures.log_tells import STATES
from runlog.schema import REJECTS
from runlog.site import load_site
from runlog.store import Store, heartbeat
from runlog.store.heartbeat import WAITING, Heartbeat

PAGE = str(Path(__file__).parents[2] / "dashboards" / "sound.py")
RULE = '\n[[cause]]\ncause = "misfeed"\ncodes = ["2101"]\n'


@pytest.fixture
def opened(monkeypatch):
    """Open the page over a store and a site file, with an address."""

    def run(store: Path, site: Path, **query: str) -> AppTest:
        monkeypatch.setenv("RUNLOG_STORE", str(store))
        monkeypatch.setenv("RUNLOG_SITE", str(site))
        page = AppTest.from_file(PAGE, default_timeout=60)
        for name, value in query.items():
            page.query_params[name] = value
        page.run()
        assert not page.exception
        return page

    return run


@pytest.fixture
def unnamed(tmp_path) -> tuple[Path, Path]:
    """The night in a store, with a site file that gives no alarm a cause."""
    store, site = nights.stored(tmp_path)
    text = site.read_text(encoding="utf-8")
    start = text.index("[[cause]]")
    site.write_text(text[:start] + text[text.index("\n[[machine]]", start) :], encoding="utf-8")
    return store, site


def html(page: AppTest) -> str:
    """All markup of the page, and all plain text."""
    return "\n".join([*(one.proto.body for one in page.get("html")), *(one.value for one in page.text)])


def shown(page: AppTest, title: str) -> pl.DataFrame:
    """A table by what it is called."""
    (found,) = [one for one in page.dataframe if one.proto.alt == title]
    return pl.from_pandas(found.value)


def beat(at: datetime, **more: object) -> Heartbeat:
    return replace(Heartbeat(1, "here", at, at, False, False, WAITING, at, []), **more)


def test_the_first_words_are_what_is_wrong(opened, shop_on_disk):
    """T03 logs nothing."""
    page = html(opened(*shop_on_disk))
    assert "T03 has a signal for 0.0 % of its planned time" in page
    assert "Watcher: none has run here" in page


def test_sources_tell_their_files(opened, shop_on_disk):
    (row,) = shown(opened(*shop_on_disk), "Sources").iter_rows(named=True)
    assert (row["source"], row["files"], row["rejects"], row["state"]) == ("log", 1, 0, "not judged")


def test_coverage_is_below_its_limit_in_words(opened, shop_on_disk):
    rows = {row["machine"]: row for row in shown(opened(*shop_on_disk), "Coverage").iter_rows(named=True)}
    assert next(iter(rows)) == "T03"
    assert (rows["T03"]["covered [%]"], rows["T03"]["verdict"]) == (0.0, "below its limit")


def test_days_come_from_the_address_and_unknown_ones_are_said(opened, shop_on_disk):
    assert "Wed 18 Nov 2026 to Tue 24 Nov 2026" in html(opened(*shop_on_disk, days="7"))
    assert "No such number of days" in html(opened(*shop_on_disk, days="<b>"))


def test_a_store_without_rejects_says_so(opened, shop_on_disk):
    assert "Nothing was rejected." in html(opened(*shop_on_disk))


def test_what_the_logs_cannot_tell_is_told_with_what_follows(opened, shop_on_disk):
    rows = shown(opened(*shop_on_disk), "Not told")
    here = rows.filter((pl.col("machine") == "T01") & (pl.col("need") == "spindle load"))
    assert here.select("state", "so").row(0) == ("not in the log", "cutting is not told from turning in air")


def test_every_chart_says_its_finding(opened, shop_on_disk):
    page = opened(*shop_on_disk)
    said = [one.proto.alt for one in page.get("vega_lite_chart")] or [
        one.proto.alt for one in page.get("arrow_vega_lite_chart")
    ]
    assert len(said) == 2
    assert said[0].startswith("Share of planned time with signal")
    assert "the lowest T03" in said[0]
    assert "not told most often" in said[1]


def test_clock_steps_are_looked_for_when_asked(opened, shop_on_disk):
    page = opened(*shop_on_disk)
    assert "No clock stepped back" not in html(page)
    page.toggle(key="clock-steps").set_value(True).run()
    assert not page.exception
    assert "No clock stepped back" in html(page)
    assert "choose fewer days" in html(opened(*shop_on_disk, days="91"))


# --- where something is missing ------------------------------------------------------------------


def test_no_store_yet_says_what_to_do(opened, shop_on_disk, tmp_path):
    page = html(opened(tmp_path / "store", shop_on_disk[1]))
    assert "Nothing to show yet" in page
    assert "runlog ingest" in page


def test_without_a_site_file_the_sources_are_still_there(opened, shop_on_disk, tmp_path):
    page = opened(shop_on_disk[0], tmp_path / "site.toml")
    assert "The site file cannot be read" in html(page)
    assert shown(page, "Sources")["source"].to_list() == ["log"]


def test_a_store_without_facts_still_has_its_sources(opened, tmp_path):
    store, site = nights.stored(tmp_path)
    Store(store).replace_facts({name: frame.clear() for name, frame in Store(store).facts().items()})
    page = opened(store, site)
    assert "No facts yet" in html(page)
    assert shown(page, "Sources").height == 1


def test_a_watcher_that_lives_no_more_comes_first(opened, tmp_path):
    store, site = nights.stored(tmp_path)
    heartbeat.write(store, beat(datetime.now(UTC) - timedelta(hours=1)))
    page = html(opened(store, site))
    assert '<div class="rl-lead"><b>The watcher lives no more</b><span>not heard of since' in page


# --- a code without a cause ----------------------------------------------------------------------


def test_a_code_is_ranked_by_the_time_it_cost_and_its_words_are_no_markup(opened, unnamed):
    """T01 stands from 23:33:22 on. T02's log ends after 13 bars of 24 x 78 + 38 s, 16 parts of 78 s and a change of
    38 s from 21:58:00: at 06:13:16. That is 23 994 s.
    """
    page = opened(*unnamed)
    (row,) = shown(page, "Codes").iter_rows(named=True)
    assert (row["code"], row["stops"], row["machines"]) == ("2101", 1, "T01")
    assert row["stood [h]"] == pytest.approx(23_994 / 3600, abs=0.006)
    assert "1 alarm code without a cause stood for 6.7 h" in html(page)
    assert "<b>bar</b>" not in html(page)


def chosen(page: AppTest, cause: str = "misfeed") -> AppTest:
    page.selectbox(key="cause of 2101").select(cause).run()
    assert not page.exception
    return page


def test_a_rule_is_shown_before_it_is_written(opened, unnamed):
    before = unnamed[1].read_bytes()
    page = chosen(opened(*unnamed))
    assert page.code[0].value == "".join(f"+ {line}\n" for line in RULE.strip().splitlines()).rstrip("\n")
    assert shown(page, "Changes").select("cause now", "cause then", "stops").rows() == [("other alarm", "misfeed", 1)]
    assert unnamed[1].read_bytes() == before


def test_the_button_writes_the_rule_and_facts_follow(opened, unnamed):
    before = unnamed[1].read_text(encoding="utf-8")
    page = chosen(opened(*unnamed))
    page.button(key="write rule").click().run()
    assert not page.exception
    assert unnamed[1].read_text(encoding="utf-8") == before + RULE
    assert "2101 is misfeed. Facts are derived anew." in html(page)
    assert "Every alarm of these days has a cause" in html(page)
    assert "misfeed" in Store(unnamed[0]).fact("stops").collect()["cause"].to_list()


def test_a_site_file_changed_since_the_preview_is_left(opened, unnamed):
    page = chosen(opened(*unnamed))
    theirs = unnamed[1].read_text(encoding="utf-8") + "# theirs\n"
    unnamed[1].write_text(theirs, encoding="utf-8")
    page.button(key="write rule").click().run()
    assert not page.exception
    assert "changed by somebody else" in html(page)
    assert unnamed[1].read_text(encoding="utf-8") == theirs


def test_where_a_watcher_lives_facts_are_left_to_it(opened, unnamed):
    heartbeat.write(unnamed[0], beat(datetime.now(UTC) + timedelta(minutes=5)))
    page = chosen(opened(*unnamed))
    assert "The watcher then reads the site file" in html(page)
    made = Store(unnamed[0]).version()
    page.button(key="write rule").click().run()
    assert load_site(unnamed[1]).cause[-1].codes == ["2101"]
    assert Store(unnamed[0]).version() == made


def test_where_nothing_may_be_written_the_lines_are_shown_only(opened, unnamed, monkeypatch):
    monkeypatch.setattr(sound_codes, "may_write", lambda _here=None: False)
    page = chosen(opened(*unnamed))
    assert "put these lines into the site file by hand" in html(page)
    assert not [one for one in page.button if one.key == "write rule"]


# --- rejects and charts --------------------------------------------------------------------------


def rejects() -> pl.LazyFrame:
    row = {"source": "A", "file": "f", "path": "f.csv", "line": 3, "cell": 0, "raw": "<script>" + "x" * 300}
    row |= {"reason": "3 fields found, 4 expected", "read_at": datetime(2026, 3, 2, tzinfo=UTC)}
    return REJECTS.conform(pl.LazyFrame([row], schema=REJECTS.schema))


def test_a_long_text_is_cut_for_reading():
    (text,) = sound_tables.rejects(rejects().collect(), "UTC")["text"]
    assert text == "<script>" + "x" * 192 + "..."


def test_reasons_have_a_bar_each_with_its_count():
    rows = soundness.reject_reasons(rejects())
    spec = sound_charts.reject_bars(rows, theme.LIGHT).to_dict()
    (bars,) = spec["datasets"].values()
    assert [(one["label"], one["said"]) for one in bars] == [("A: … fields found, … expected", "1")]
    assert sound_tables.reason_words(rows) == "Rejects by reason: 1 in all, most (1) … fields found, … expected"


def test_every_state_of_a_need_has_its_own_shape():
    assert [*sound_charts.SHAPES] == [*STATES]
    assert len(set(sound_charts.SHAPES.values())) == len(STATES)


def test_thin_days_are_outlined_and_have_their_number():
    told = pl.DataFrame(
        {
            "machine": ["T01", "T01"],
            "day": [datetime(2026, 3, 2).date(), datetime(2026, 3, 3).date()],
            "pbt_s": [100.0, 100.0],
            "no_signal_s": [0.0, 5.01],
            "coverage": [1.0, 0.9499],
            "coverage_flag": [0.95, 0.95],
            "thin": [False, True],
        }
    )
    spec = sound_charts.coverage_strip(told, ["T01"], theme.DARK).to_dict()
    plain, outlined, number = spec["layer"]
    assert outlined["mark"]["stroke"] == theme.DARK.ink
    assert "stroke" not in plain["mark"]
    assert [row["number"] for row in spec["datasets"][number["data"]["name"]]] == ["94"]
