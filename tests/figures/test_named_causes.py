"""A cause that a person names: the same as if the log had said it, in every figure, and gone when it is taken back."""

from datetime import date, datetime, timedelta

import polars as pl
import pytest
from polars.testing import assert_frame_equal

from runlog.derive import derive
from runlog.errors import RunlogError
from runlog.figures.named_causes import unplaced, with_named_causes
from runlog.figures.week import week_review
from runlog.notes import action_note, cause_note, done_note, in_force, remark_note, withdrawal
from runlog.schema import NOTES
from runlog.simulator import simulate_frames
from runlog.site import parse_site

TABLES = ("stops", "spans", "shift_losses", "shift_figures", "unattended_runs")
EVENTS, _, TOML = simulate_frames(start=date(2026, 7, 6), days=12, seed=5, machines=4)
SITE = parse_site(TOML)
NOON = datetime.fromisoformat("2026-08-01T12:00:00+00:00")


@pytest.fixture(scope="module")
def facts():
    return {name: frame.collect().lazy() for name, frame in derive(EVENTS.lazy(), SITE).items()}


def named(stops: pl.DataFrame, cause: str, now: datetime = NOON, who: str = "A. Miller") -> pl.DataFrame:
    """A note for each of these stops, an instant after its start."""
    rows = stops.select("machine", "start").iter_rows()
    second = timedelta(seconds=1)
    return pl.concat([cause_note(machine, at + second, cause, SITE, who=who, now=now) for machine, at in rows])


def rule(code: str, cause: str) -> str:
    """The site file with a rule before its others."""
    first = TOML.index("[[cause]]")
    return f'{TOML[:first]}[[cause]]\ncause = "{cause}"\ncodes = ["{code}"]\n\n{TOML[first:]}'


@pytest.mark.parametrize(
    ("code", "cause"),
    [
        ("4001", "no work planned"),  # an order's delay no more, no failure
        ("3001", "gauging"),  # people: still a delay, no failure
        ("4001", "count reached"),  # a run that ended with it ended with its order
        ("3010", "swarf nest"),  # another failure
    ],
)
def test_naming_every_stop_of_a_code_is_the_same_as_a_rule_for_it(facts, code, cause):
    stops = facts["stops"].filter(pl.col("code") == code).collect()
    assert stops.height >= 3
    got = with_named_causes(facts, named(stops, cause), SITE)
    want = derive(EVENTS.lazy(), parse_site(rule(code, cause)))
    for name in TABLES:
        table = got[name].drop("named_by", "log_cause", strict=False).collect()
        assert_frame_equal(
            table, want[name].drop("named_by", strict=False).collect(), check_exact=True, check_row_order=True
        )
    told = got["stops"].filter(pl.col("code") == code).select("log_cause", "named_by").unique().collect()
    assert told.rows() == [(stops["cause"][0], "A. Miller")]


def test_without_a_name_nothing_changes_but_the_logs_own_word(facts):
    got = with_named_causes(facts, NOTES.empty().collect(), SITE)
    assert all(got[name] is facts[name] for name in TABLES[1:])
    assert_frame_equal(got["stops"].drop("log_cause").collect(), facts["stops"].collect())


def test_of_several_names_the_last_counts_until_it_is_taken_back(facts):
    stop = facts["stops"].filter(~pl.col("minor")).head(1).collect()
    first, second = named(stop, "gauging"), named(stop, "swarf nest", NOON + timedelta(hours=1), "B. Jones")
    notes = pl.concat([first, second])

    def cause(rows: pl.DataFrame) -> tuple[str, str | None]:
        told = with_named_causes(facts, in_force(rows.lazy()), SITE)["stops"]
        here = (pl.col("machine") == stop["machine"][0]) & (pl.col("start") == stop["start"][0])
        return told.filter(here).select("cause", "named_by").collect().row(0)

    assert cause(notes) == ("swarf nest", "B. Jones")
    back = withdrawal(in_force(notes.lazy()), second["note"][0], who="B. Jones")
    assert cause(pl.concat([notes, back])) == ("gauging", "A. Miller")
    both = withdrawal(in_force(notes.lazy()), first["note"][0], who="A. Miller")
    assert cause(pl.concat([notes, back, both])) == (stop["cause"][0], None)


def test_the_loss_account_still_closes(facts):
    stops = facts["stops"].filter(pl.col("machine") == "T01").collect()
    told = with_named_causes(facts, named(stops, "coolant low"), SITE)
    before, after = (week_review(one, SITE, NOON, week="2026-W28").account for one in (facts, told))
    assert after["pbt_s"].to_list() == pytest.approx(before["pbt_s"].to_list(), abs=1e-6)
    assert after["loss_parts"].to_list() == pytest.approx(before["loss_parts"].to_list(), abs=1e-6)


def test_a_name_for_a_time_without_a_stop_is_kept_and_told(facts):
    stop = facts["stops"].head(1).collect().row(0, named=True)
    before = cause_note(stop["machine"], stop["start"] - timedelta(microseconds=1), "gauging", SITE, who="A")
    inside = cause_note(stop["machine"], stop["start"], "gauging", SITE, who="A")
    assert unplaced(facts, pl.concat([before, inside]))["note"].to_list() == before["note"].to_list()


@pytest.mark.parametrize(
    ("machine", "cause", "who", "words"),
    [
        ("T99", "gauging", "A", "--machine T99: one of these expected"),
        ("T01", "gremlins", "A", "--cause gremlins: one of these expected"),
        ("T01", "gauging", " ", "the name of who says so expected"),
    ],
)
def test_a_name_that_says_nothing_is_refused(machine, cause, who, words):
    with pytest.raises(RunlogError, match=words):
        cause_note(machine, NOON, cause, SITE, who=who)


def test_an_action_is_open_until_it_is_done():
    due = date(2026, 7, 20)
    action = action_note("order a liner", SITE, owner="B. Jones", due=due, who="A", machine="T01", now=NOON)
    remark = remark_note("new oil", date(2026, 7, 8), SITE, who="A", now=NOON)
    assert in_force(pl.concat([action, remark]).lazy())["kind"].to_list() == ["remark", "action"]
    done = done_note(action.row(0, named=True), who="B. Jones", why="came on Tuesday", now=NOON)
    assert in_force(pl.concat([action, remark, done]).lazy())["kind"].to_list() == ["remark"]
    with pytest.raises(RunlogError, match="who does it expected"):
        action_note("order a liner", SITE, owner="", due=due, who="A")
