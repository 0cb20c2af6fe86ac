"""Invariant 5: whatever a log says and in whatever portions it comes, deriving onward gives what deriving all gives."""

from collections.abc import Mapping
from datetime import timedelta

import polars as pl
import pytest
from derive.literal import SITE, log, second
from derive.test_invariants import STEPS
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from runlog.derive import derive_on
from runlog.derive.before import Before
from runlog.derive.carried import carried_after
from runlog.derive.observations import is_read
from runlog.derive.onward import Held, derive_onward
from runlog.schema import DERIVED_TABLES, EVENTS, PLANS, STARTS
from runlog.site import parse_site

DAY = 86_400
DAYS = st.lists(st.sampled_from(["pins", "caps", "by night", "idle", "silent", "noise"]), min_size=6, max_size=24)
SHOP = parse_site(
    SITE.replace('[[machine]]\nname = "T01"', '[[machine]]\nname = "T02"\n\n[[machine]]\nname = "T01"').replace(
        'name = "pin"\n', 'name = "pin"\norder_quantity = 90\n'
    )
)
FOUR = parse_site(SITE)
FEW = settings(max_examples=2, deadline=None, suppress_health_check=[HealthCheck.too_slow, HealthCheck.data_too_large])


def production(start: int, program: str, cycle: int, count: int, first: int) -> list[str]:
    """Parts one after the other, a bar change after each fifth, the third of which fails."""
    lines, at = [f"{start} program {program}", f"{start} door OPEN", f"{start + 5} exec ACTIVE"], start + 5
    for n in range(first + 1, first + count + 1):
        at += cycle
        lines.append(f"{at} count {n}")
        if n % 5 == 0:
            lines += [f"{at + 1} change ACTIVE", f"{at + 1} eob YES"]
            if n % 15 == 0:
                lines += [f"{at + 9} feeder FAULT 2101 misfeed", f"{at + 9} exec INTERRUPTED"]
                lines += [f"{at + 400} door OPEN", f"{at + 420} feeder NORMAL 2101", f"{at + 430} exec ACTIVE"]
                at += 430
            lines += [f"{at + 20} change COMPLETE", f"{at + 20} eob NO"]
            at += 20
    return [*lines, f"{at + 3} exec READY"]


def written(days: list[str], noise: list) -> str:
    """Days of a lathe as a literal log; seconds count from 22:00."""
    lines = ["0 avail AVAILABLE", "0 exec READY", "0 mode AUTOMATIC", "0 count 0", "0 program O1", "1 bars 4"]
    made, drawn = 0, iter(noise)
    for number, day in enumerate(days):
        start = 100 + number * DAY
        if day in ("pins", "caps", "by night"):
            at = start if day == "by night" else start + 9 * 3600
            lines += production(at, "O2" if day == "caps" else "O1", 60 if day == "caps" else 100, 30, made)
            made += 30
        elif day == "idle":
            lines += [f"{start + 7000} door OPEN", f"{start + 7060} door CLOSED", f"{start + 7100} mode MANUAL"]
            lines.append(f"{start + 7400} mode AUTOMATIC")
        elif day == "noise":
            at = start
            for pause, (signal, value) in next(drawn, []):
                at += pause
                lines.append(f"{at} {signal} {value}")
    return "\n".join(lines)


def stand(events: pl.DataFrame, site) -> dict[str, pl.LazyFrame]:
    return derive_on(events.lazy(), site, PLANS.empty())


def put(facts: Mapping[str, pl.LazyFrame], new: Mapping[str, pl.LazyFrame], cuts: pl.DataFrame) -> dict:
    """Facts after a replacement, by what the store is told to do, in plain words."""
    out = {}
    for name, frame in facts.items():
        rows = frame.join(cuts.lazy().select("machine", "cut", "cut_date", "shifts_before"), on="machine", how="inner")
        if name == "marks":
            kept = rows.clear()
        elif name in STARTS:
            kept = rows.filter(pl.col(STARTS[name]) < pl.col("cut"))
            if name == "alarms":
                kept = kept.filter(pl.col("end") < pl.col("cut"))
        else:
            same = (pl.col("shift_date") == pl.col("cut_date")) & pl.col("shifts_before").list.contains(pl.col("shift"))
            kept = rows.filter((pl.col("shift_date") < pl.col("cut_date")) | same)
        table = DERIVED_TABLES[name]
        out[name] = pl.concat([table.conform(kept), table.conform(new[name])]).collect().lazy()
    return out


def onward(facts, old: pl.DataFrame, new: pl.DataFrame, site):
    """Facts with what is new, and whether a part of the log was enough."""
    both = pl.concat([old, new])
    before = Before(facts, new.lazy().group_by("machine").agg(pl.col("at").min()), EVENTS.empty(), None)

    def events_from(found: pl.DataFrame) -> pl.LazyFrame:
        since = both.lazy().join(found.lazy().select("machine", "begins"), on="machine", how="left")
        return EVENTS.conform(since.filter(pl.col("begins").is_null() | (pl.col("at") >= pl.col("begins"))))

    made = derive_onward(before, [Held(None, site)], PLANS.empty(), events_from)
    return (stand(both, site), False) if made is None else (put(facts, *made), True)


def assert_same(found: Mapping[str, pl.LazyFrame], whole: Mapping[str, pl.LazyFrame]) -> None:
    for name in DERIVED_TABLES:
        one, other = found[name].collect(), whole[name].collect()
        by = one.columns
        only = (
            one.join(other, on=by, how="anti", nulls_equal=True),
            other.join(one, on=by, how="anti", nulls_equal=True),
        )
        assert one.sort(by).equals(other.sort(by)), f"{name}: {only[0].rows()[:3]} against {only[1].rows()[:3]}"


@given(days=DAYS, noise=st.lists(STEPS, min_size=3, max_size=6), data=st.data())
@FEW
def test_portion_after_portion_equals_everything_at_once(days, noise, data):
    events = log(written(days, noise)).collect()
    events = events.with_columns(machine=pl.lit("T01"))
    borders = sorted(data.draw(st.sets(st.integers(1, len(days) * 4), min_size=1, max_size=3)))
    facts, held = None, events.clear()
    for start, end in zip([0, *borders], [*borders, 10_000], strict=True):
        portion = events.filter(pl.col("at").is_between(second(start * DAY / 4), second(end * DAY / 4), closed="left"))
        if facts is None:
            facts = stand(portion, FOUR)
        elif portion.height:
            facts, _ = onward(facts, held, portion, FOUR)
        held = pl.concat([held, portion])
    assert_same(facts, stand(events, FOUR))


@given(days=DAYS, noise=st.lists(STEPS, min_size=3, max_size=6), data=st.data())
@FEW
def test_a_late_day_of_one_machine_equals_everything_at_once(days, noise, data):
    """With an order counted over two machines, what comes late on one changes stops of the other."""
    one = log(written(days, noise)).collect()
    shift = data.draw(st.integers(0, 3))
    two = (
        log(written(days[shift:] + days[:shift], noise[1:]), "T02").with_columns(line=pl.col("line") + 10**6).collect()
    )
    late = data.draw(st.integers(0, len(days) - 1))
    is_late = one["at"].is_between(second(late * DAY), second((late + 1) * DAY), closed="left")
    old, new = pl.concat([one.filter(~is_late), two]), one.filter(is_late)
    if old.filter(pl.col("machine") == "T01").height and new.height:
        facts, _ = onward(stand(old, SHOP), old, new, SHOP)
        assert_same(facts, stand(pl.concat([old, new]), SHOP))


@pytest.mark.parametrize("last", [["pins"], ["caps"], ["idle", "caps"], ["silent", "silent", "pins"]])
def test_a_part_of_a_long_log_is_enough(last):
    days = ["pins", "pins", "caps", "by night"] * 4 + last
    events = log(written(days, [])).collect()
    is_new = events["at"] >= second((len(days) - 1) * DAY)
    old = events.filter(~is_new)
    facts, in_part = onward(stand(old, FOUR), old, events.filter(is_new), FOUR)
    assert in_part
    assert_same(facts, stand(events, FOUR))


def test_a_changeover_after_two_idle_weeks_reaches_back_to_the_last_part():
    """Friday's last pin and a door opened an hour later; the first cap sixteen days on: all between is setting."""
    days = ["pins"] * 6 + ["idle"] + ["silent"] * 15 + ["caps", "caps"]
    events = log(written(days, [])).collect()
    is_new = events["at"] >= second((len(days) - 2) * DAY)
    old = events.filter(~is_new)
    facts, _ = onward(stand(old, FOUR), old, events.filter(is_new), FOUR)
    assert facts["changeovers"].collect()["to_job"].to_list() == ["cap"]
    assert_same(facts, stand(events, FOUR))


def test_a_changeover_that_begins_before_silent_days_and_bad_parts_is_found():
    """Pins, the last ones all bad, then nothing for days: the first cap ends what began at the last good pin."""
    days = ["pins"] * 8 + ["silent"] * 4 + ["caps"]
    lines = f"0 bad 0\n0 good 0\n{written(days, [])}\n{8 * DAY} bad 100".split("\n")
    events = log("\n".join(sorted(lines, key=lambda line: float(line.split()[0])))).collect()
    is_new = events["at"] >= second(12 * DAY)
    old = events.filter(~is_new)
    facts, _ = onward(stand(old, FOUR), old, events.filter(is_new), FOUR)
    assert facts["changeovers"].collect().height == 1
    assert_same(facts, stand(events, FOUR))


def test_a_remnant_told_once_holds_for_the_bars_after_it():
    """76 mm at the first bar's end, never told again as it stays so; bars last three days."""
    site = parse_site(SITE.replace("price_per_kg = 2\nbar_mm = 300", "price_per_kg = 2\nbar_mm = 4100"))
    lines = ["0 avail AVAILABLE", "0 exec READY", "0 mode AUTOMATIC", "0 count 0", "0 program O1", "0 change READY"]
    made = 0
    for day in range(12):
        at = 100 + day * DAY + 9 * 3600
        lines.append(f"{at} exec ACTIVE")
        for _ in range(30):
            at, made = at + 100, made + 1
            lines.append(f"{at} count {made}")
            if made % 90 == 0:
                lines += [f"{at + 1} remaining 76"] if made == 90 else []
                lines += [f"{at + 2} change ACTIVE", f"{at + 20} change COMPLETE"]
                at += 20
        lines.append(f"{at + 3} exec READY")
    events = log("\n".join(lines)).collect()
    is_new = events["at"] >= second(11 * DAY)
    old = events.filter(~is_new)
    facts, in_part = onward(stand(old, site), old, events.filter(is_new), site)
    assert in_part
    assert facts["bars"].filter(pl.col("remnant_basis") == "measured").collect().height == 3
    assert_same(facts, stand(events, site))


def test_bad_parts_booked_two_days_later_change_what_was_good():
    days = ["pins"] * 8 + ["idle", "idle"]
    text = "0 bad 0\n" + written(days, []) + f"\n{len(days) * DAY} bad 3\n"
    events = log(text).collect()
    is_new = events["at"] >= second(len(days) * DAY)
    old = events.filter(~is_new)
    facts, _ = onward(stand(old, FOUR), old, events.filter(is_new), FOUR)
    assert facts["parts"].filter(~pl.col("good")).collect().height == 3
    assert_same(facts, stand(events, FOUR))


@given(STEPS, st.integers(0, 60))
@settings(max_examples=20, deadline=None)
def test_what_is_carried_of_what_was_carried_is_what_is_carried_of_all(steps, place):
    from derive.test_invariants import written as noise

    events = log(noise(steps))
    reads = is_read(FOUR, ["T01"])
    first = events.filter(pl.col("line") < place)
    late = events.filter(pl.col("line") >= place)
    whole = carried_after(events, reads).collect()
    again = carried_after(pl.concat([carried_after(first, reads), late]), reads).collect()
    assert again.sort("line").equals(whole.sort("line"))


def test_what_is_carried_of_a_day_is_little():
    """Two hours of parts: of each item its last word, of the cleared alarm only that it is over."""
    events = log(written(["pins"], []))
    carried = carried_after(events, is_read(FOUR, ["T01"])).collect()
    assert carried.filter(item="PART_COUNT")["text"].to_list() == ["30"]
    assert carried.filter(item="CONDITION")["text"].to_list() == ["NORMAL"]
    assert carried["at"].max() - carried["at"].min() > timedelta(hours=9)
