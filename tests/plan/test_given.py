"""Plans of the order system: read, checked, put before the computed ones, and what does not fit."""

from datetime import UTC, date, datetime
from pathlib import Path

import polars as pl
import pytest
from derive.literal import log, second
from derive.literal import site as night_site
from plan.shops import shop

from runlog.derive import derive
from runlog.errors import ReadingError
from runlog.orders import read_plans, take_plans
from runlog.plan.given import mismatches
from runlog.schema import PLANS
from runlog.site import Closure
from runlog.store import Store

MONDAY = date(2026, 1, 12)
HEAD = "date,shift,machine,job,quantity\n"


def csv(folder: Path, text: str, name: str = "plan.csv") -> Path:
    file = folder / name
    file.write_text(text, encoding="utf-8")
    return file


def given(*rows: tuple) -> pl.LazyFrame:
    """PLANS from shift, job, quantity on the night of the literal logs, one line each."""
    told = [
        {"machine": "T01", "shift_date": day, "shift": shift, "job": job, "quantity": parts, "file": "f", "line": line}
        for line, (day, shift, job, parts) in enumerate(rows, 2)
    ]
    return PLANS.conform(pl.LazyFrame(told).with_columns(read_at=pl.lit(datetime(2026, 1, 1, tzinfo=UTC))))


# --- reading -------------------------------------------------------------------------------------


def test_a_plan_is_read_as_order_systems_write_it(tmp_path: Path):
    text = "Shift;Quantity; Machine ;Job;Date;Note\nnight;280;T01;bush 4711;23.11.2026;urgent\n;;;;;\n"
    text += 'day;;T01;;2026-11-24;"two\nlines"\nday;0;T02;"nut; M8";2026-11-24;\n'
    rows = read_plans(csv(tmp_path, text))
    assert rows.schema == PLANS.schema
    assert rows.select("line", "machine", "shift_date", "shift", "job", "quantity").rows() == [
        (2, "T01", date(2026, 11, 23), "night", "bush 4711", 280),
        (4, "T01", date(2026, 11, 24), "day", "", None),
        (6, "T02", date(2026, 11, 24), "day", "nut; M8", 0),
    ]
    assert rows["file"].unique().to_list() == ["plan.csv"]


@pytest.mark.parametrize(
    ("text", "said"),
    [
        (
            HEAD + "2026-13-01,night,T01,bush,1\n2026-11-24,,T01,bush,1.5\n2026-11-24,night,T01,bush,-3\n",
            "plan.csv: line 2: date: '2026-13-01' found, a date such as 2026-11-23 expected\n"
            "plan.csv: line 3: shift: nothing found, the name of a shift expected\n"
            "plan.csv: line 3: quantity: '1.5' found, a whole number of parts, 0 or more, or nothing expected\n"
            "plan.csv: line 4: quantity: '-3' found, a whole number of parts, 0 or more, or nothing expected",
        ),
        (
            HEAD + "2026-11-24,night,T01,bush,1\n2026-11-24,night,T01,bush,2\n2026-11-24,night,,,2\n",
            "plan.csv: line 3: job: 'bush' found, a job, once for each machine and shift, expected\n"
            "plan.csv: line 4: machine: nothing found, the name of a machine expected\n"
            "plan.csv: line 4: job: nothing found, a job, once for each machine and shift, expected",
        ),
        (
            "date,shift,machine,parts\n2026-11-24,night,T01,1\n",
            "plan.csv: columns date, shift, machine, parts found, also these expected: job, quantity "
            "(all of them: date, shift, machine, job, quantity)",
        ),
        (HEAD + "2026-11-24,night,T01,1\n", "plan.csv: line 2: 4 fields found, 5 expected"),
        (
            HEAD + "x,night,T01,bush,1\n" * 25,
            "plan.csv: line 2: date: 'x' found, a date such as 2026-11-23 expected",
        ),
    ],
)
def test_a_plan_with_mistakes_is_refused_with_all_of_them(text: str, said: str, tmp_path: Path):
    with pytest.raises(ReadingError) as caught:
        read_plans(csv(tmp_path, text))
    assert str(caught.value).startswith(said)
    assert len(str(caught.value).splitlines()) <= 21


def test_no_file_and_no_plan_are_told(tmp_path: Path):
    with pytest.raises(ReadingError, match=r"gone\.csv: cannot be read: No such file"):
        read_plans(tmp_path / "gone.csv")
    with pytest.raises(ReadingError, match=r"plan\.csv: columns none found"):
        read_plans(csv(tmp_path, ""))
    assert read_plans(csv(tmp_path, HEAD)).height == 0


# --- keeping -------------------------------------------------------------------------------------


def test_the_last_plan_of_a_shift_stands(tmp_path: Path):
    """Monday is given two jobs, then one; Tuesday stays; Wednesday is taken back."""
    site, _ = shop()
    store = Store(tmp_path / "store")
    first = HEAD + "".join(f"2026-11-{day},night,T01,{job},{parts}\n" for day, job, parts in (
        (23, "bush 4711", 10), (23, "nut", 5), (24, "bush 4711", 20), (25, "bush 4711", 30),
    ))  # fmt: skip
    take_plans(csv(tmp_path, first), site, store)
    second_file = HEAD + "2026-11-23,night,T01,bush 4711,11\n2026-11-25,night,T01,,\n"
    take_plans(csv(tmp_path, second_file, "later.csv"), site, store)
    held = store.held("plans").sort("shift_date").collect()
    assert held.select("shift_date", "job", "quantity", "file").rows() == [
        (date(2026, 11, 23), "bush 4711", 11, "later.csv"),
        (date(2026, 11, 24), "bush 4711", 20, "plan.csv"),
        (date(2026, 11, 25), "", None, "later.csv"),
    ]
    take_plans(csv(tmp_path, second_file, "later.csv"), site, store)
    assert store.held("plans").collect().height == 3


# --- mismatches ----------------------------------------------------------------------------------


def told(tmp_path: Path, text: str, **changed) -> list[str]:
    site, _ = shop()
    return mismatches(read_plans(csv(tmp_path, HEAD + text)), site.model_copy(update=changed))


def test_names_the_site_file_does_not_know_are_told(tmp_path: Path):
    assert told(tmp_path, "2026-11-23,night,T01,bush 4711,280\n2026-11-24,nite,T09,bolt,1\n") == [
        "plan.csv: line 3: machine 'T09' found, one of T01 expected",
        "plan.csv: line 3: shift 'nite' found, one of early, late, night expected",
        "plan.csv: line 3: job 'bolt' found, one of bush 4711 expected",
    ]


def test_shifts_that_are_not_planned_that_day_are_told(tmp_path: Path):
    """28 November 2026 is a Saturday; the 24th is closed here."""
    closed = Closure.model_validate({"start": "2026-11-24", "end": "2026-11-26"})
    found = told(tmp_path, "2026-11-28,night,T01,bush 4711,1\n2026-11-24,early,T01,bush 4711,1\n", closure=[closed])
    expected = "a shift that is planned on that day expected (days, closures)"
    assert found == [
        f"plan.csv: line 2: 2026-11-28 'night' of T01 found, {expected}",
        f"plan.csv: line 3: 2026-11-24 'early' of T01 found, {expected}",
    ]


def test_more_than_time_allows_is_told(tmp_path: Path):
    """8 h hold 28 800 / 76.667 = 375.65 parts: 375 fit, 376 are 28 826.7 s, 8.01 h."""
    assert told(tmp_path, "2026-11-23,early,T01,bush 4711,375\n") == []
    assert told(tmp_path, "2026-11-23,early,T01,bush 4711,376\n") == [
        "plan.csv: line 2: 8.01 h of work found, 8.0 h at most expected: early holds 375 parts of bush 4711"
    ]


def test_more_than_bars_allow_is_told_where_nobody_is_there(tmp_path: Path):
    """12 bars and the one in the spindle give 13 x 24 = 312 parts; somebody refills by day."""
    assert told(tmp_path, "2026-11-23,night,T01,bush 4711,312\n2026-11-23,late,T01,bush 4711,370\n") == []
    assert told(tmp_path, "2026-11-23,night,T01,bush 4711,324\n") == [
        "plan.csv: line 2: stock of 13.5 bars found, 13 at most expected with nobody there: 12 in the magazine, one in "
        "the spindle"
    ]


def test_what_is_taken_back_fits_always(tmp_path: Path):
    assert told(tmp_path, "2026-11-28,nite,T09,bolt,\n") == []


# --- in force ------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def night() -> pl.LazyFrame:
    """One part of pin at 22:01:40, then quiet to 23:30: 5 pins a bar, PRI 106 s, 4 bars held: 20 parts bind."""
    return log(
        """
        0 avail AVAILABLE
        0 program O1
        0 mode AUTOMATIC
        0 count 0
        0 exec ACTIVE
        100 count 1
        100 exec READY
        5400 door OPEN
        """
    )


def plan_of(events: pl.LazyFrame, shift: str, plans: pl.LazyFrame | None) -> dict:
    rows = derive(events, night_site(), plans)["shift_plans"].filter(pl.col("shift") == shift).collect()
    return rows.filter(pl.col("shift_date") == MONDAY).row(0, named=True)


def test_without_a_plan_the_computed_one_holds(night):
    plan = plan_of(night, "night", None)
    assert (plan["planned_parts"], plan["computed_parts"], plan["limit"]) == (20.0, 20.0, "bars")
    assert (plan["basis"], plan["job"]) == ("computed", "pin")
    assert plan == plan_of(night, "night", given((date(2026, 1, 13), "night", "pin", 3)))
    assert plan == plan_of(night, "night", given((MONDAY, "night", "pin", None)))


def test_a_given_quantity_that_fits_is_bound_by_the_order(night):
    plan = plan_of(night, "night", given((MONDAY, "night", "pin", 12)))
    assert (plan["planned_parts"], plan["computed_parts"], plan["limit"]) == (12.0, 20.0, "order")
    assert (plan["basis"], plan["run_out_at"]) == ("order system", None)
    assert plan_of(night, "night", given((MONDAY, "night", "pin", 0)))["planned_parts"] == 0.0
    assert plan_of(night, "night", given((MONDAY, "night", "pin", 20)))["limit"] == "order"


def test_a_given_quantity_that_does_not_fit_stands_beside_what_fits(night):
    """4 x (5 x 100 + 30) = 2120 s: the bars run out at 22:35:20, whatever was asked for."""
    plan = plan_of(night, "night", given((MONDAY, "night", "pin", 30)))
    assert (plan["planned_parts"], plan["computed_parts"], plan["limit"]) == (30.0, 20.0, "bars")
    assert plan["run_out_at"] == second(2120)


def test_a_given_job_goes_before_the_one_that_runs(night):
    """Cap: 60 s, n = floor((300 - 0 - 60) / 24) = 10, PRI 60 + 30 / 10 = 63 s; 4 bars give 40, an hour 57.1."""
    plan = plan_of(night, "night", given((MONDAY, "night", "cap", 25)))
    assert (plan["job"], plan["standard_time_s"], plan["parts_per_bar"]) == ("cap", 63.0, 10)
    assert (plan["planned_parts"], plan["computed_parts"]) == (25.0, 40.0)


def test_several_jobs_of_a_shift_add_up_in_parts_and_in_time(night):
    """100 pins at 106 s and 300 caps at 63 s: 400 parts, (10 600 + 18 900) / 400 = 73.75 s each."""
    plan = plan_of(night, "day", given((MONDAY, "day", "pin", 100), (MONDAY, "day", "cap", 300)))
    assert (plan["job"], plan["planned_parts"], plan["standard_time_s"]) == ("pin, cap", 400.0, 73.75)
    assert plan["limit"] == "order"


def test_a_job_that_nobody_knows_has_a_quantity_and_no_standard(night):
    plan = plan_of(night, "night", given((MONDAY, "night", "bolt", 7)))
    assert (plan["job"], plan["planned_parts"], plan["basis"]) == ("bolt", 7.0, "order system")
    assert plan["standard_time_s"] is plan["computed_parts"] is None
    assert plan["limit"] == "order"


def test_machines_that_nobody_knows_disturb_nothing(night):
    stranger = given((MONDAY, "night", "pin", 7)).with_columns(machine=pl.lit("T99"))
    assert plan_of(night, "night", stranger) == plan_of(night, "night", None)
