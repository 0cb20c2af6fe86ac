"""An edited site file or plan: what depends on it is redone, and the facts are those of deriving everything."""

from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta

import polars as pl
import pytest
from derive.literal import SITE, log, second
from derive.test_invariants import STEPS
from derive.test_onward import DAY, assert_same, put, written
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from searching import examples

from runlog.derive.basis import basis, concerned, read_basis
from runlog.derive.before import Before
from runlog.derive.onward import Held, derive_all, derive_onward
from runlog.errors import SiteError
from runlog.schema import EVENTS, PLANS
from runlog.site import (
    Changeover,
    Closure,
    Dashboard,
    Feeder,
    Heartbeat,
    Limits,
    Machine,
    OwnLimits,
    Sawing,
    Site,
    SiteNames,
    Source,
    parse_site,
)

DAYS = ["pins", "pins", "caps", "by night", "idle"] * 4
LONG = len(DAYS)
MACHINES = ("T01", "T02", "T03")
_MACHINE = SITE[SITE.index("[[machine]]") : SITE.index("[[job]]")]
SHOP = SITE.replace(_MACHINE, "".join(_MACHINE.replace("T01", name) for name in MACHINES))
ORDERS = SHOP.replace('name = "pin"\n', 'name = "pin"\norder_quantity = 90\n')
_NEW_JOB = SITE[SITE.index('[[job]]\nname = "cap"') : SITE.index("[[cause]]")].replace('"cap"', '"nut"')
_PICK_OFF = '[[cause]]\ncause = "pick-off failed"\ncodes = ["3001"]\n'
NO_PLANS = PLANS.empty()

Edit = Callable[[str], str]
Facts = dict[str, pl.LazyFrame]


def instead(old: str, new: str) -> Edit:
    def edit(text: str) -> str:
        assert old in text
        return text.replace(old, new, 1)

    return edit


def beside(more: str) -> Edit:
    return lambda text: f"{text}\n{more}\n"


def of_machine(name: str, more: str) -> Edit:
    return instead(f'name = "{name}"\n', f'name = "{name}"\n{more}\n')


def closed(start: str, end: str, *machines: str) -> Edit:
    return beside(f"[[closure]]\nstart = {start}\nend = {end}\nmachines = {list(machines)!r}\n")


EVERYTHING: dict[str, Edit] = {
    "shift": instead('start = "22:00"\nend = "23:00"', 'start = "22:00"\nend = "22:30"'),
    "time zone": instead("Europe/London", "Europe/Berlin"),
}
PARTS: dict[str, Edit] = {
    "rule dropped": instead('cause = "misfeed"\ncodes = ["2101"]', 'cause = "misfeed"\ncodes = ["9999"]'),
    "rule before the others": instead(
        "[[cause]]", '[[cause]]\ncause = "pick-off failed"\ncodes = ["3001"]\n\n[[cause]]'
    ),
    "rule by words": beside('[[cause]]\ncause = "swarf nest"\ntext = "y"'),
    "feeder's alarm by rule": beside('[[cause]]\ncause = "misfeed"\ncodes = ["3002"]'),
    "group of a cause": instead('cause = "tool broken"\n', 'cause = "tool broken"\ngroup = "bar supply"\n'),
    "group of what a state says": beside('[[cause]]\ncause = "door opened"\ngroup = "machine"\ncodes = ["1"]'),
    "rule for a code nobody tells": beside('[[cause]]\ncause = "swarf nest"\ncodes = ["77"]'),
    "closure": closed("2026-01-27", "2026-01-28"),
    "closure of one machine": closed("2026-01-20T08:00:00", "2026-01-20T12:00:00", "T02"),
    "closure before the log": closed("2025-01-27", "2026-01-14", "T03"),
    "closure to come": closed("2026-06-01", "2026-06-08"),
    "limit of one machine": of_machine("T02", "limits = { minor_stop_s = 60, look_back_s = 5 }"),
    "limit of all": beside("[limits]\nhung_after_least_s = 30\n"),
    "magazine": instead("bars_held = 4", "bars_held = 2"),
    "automatic door": of_machine("T03", "automatic_door = true"),
    "counter": of_machine("T02", 'part_counter = "active stretch"'),
    "heartbeat": of_machine("T01", 'heartbeat = { item = "DOOR_STATE", limit_s = 40000 }'),
    "program to another job": lambda text: instead('programs = ["O2"]', "programs = []")(
        instead('programs = ["O1"]', 'programs = ["O1", "O2"]')(text)
    ),
    "program known at last": instead('programs = ["O2"]', 'programs = ["O2", "O3"]'),
    "job added": beside(_NEW_JOB.replace('"O2"', '"O3"')),
    "job added that nobody made": beside(_NEW_JOB.replace('"O2"', '"O8"')),
    "job added of longer bars": beside(_NEW_JOB.replace('"O2"', '"O8"').replace("bar_mm = 300", "bar_mm = 400")),
    "job dropped": lambda text: text.replace(_NEW_JOB.replace('"nut"', '"cap"'), ""),
    "machine added": instead("[[job]]", f"{_MACHINE.replace('T01', 'T09')}\n[[job]]"),
    "machine dropped": instead(_MACHINE.replace("T01", "T02"), ""),
}
QUIET = ("closure to come", "rule for a code nobody tells", "job added that nobody made", "machine added")


def shop_log(days: list[str], noise: list) -> pl.DataFrame:
    """Three machines, each a day or two behind the one before; noise on the last."""
    frames = []
    for number, name in enumerate(MACHINES):
        turned = days[number:] + days[:number]
        frames.append(
            log(written(turned, noise if number == len(MACHINES) - 1 else []), name).with_columns(
                pl.col("line") + number * 10**6
            )
        )
    return pl.concat(frames).collect()


def plan(day: date, job: str, quantity: int | None, machine: str = "T01") -> dict:
    told = {"machine": machine, "shift_date": day, "shift": "day", "job": job, "quantity": quantity}
    return {**told, "file": "plan.csv", "line": day.toordinal(), "read_at": datetime(2026, 1, 1, tzinfo=UTC)}


def plans(*rows: dict) -> pl.LazyFrame:
    return pl.LazyFrame(list(rows), schema=PLANS.schema)


def redone(
    events: pl.DataFrame,
    old: list[Held],
    new: list[Held],
    given: tuple[pl.LazyFrame, pl.LazyFrame] = (NO_PLANS, NO_PLANS),
    stand: Facts | None = None,
):
    """Facts after an edit, and the cuts from which they were made anew; None where everything was."""
    facts = stand or derive_all(events.lazy(), old, given[0])
    then, now = read_basis(basis(old, 1).text), basis(new, 2)
    assert then
    differs = concerned(then, now, new[-1].site, facts, given)
    if differs is None:
        return derive_all(events.lazy(), new, given[1]), None
    before = Before(facts, differs.counted, EVENTS.empty(), differs.everywhere, differs.alone, differs.whole)

    def events_from(found: pl.DataFrame) -> pl.LazyFrame:
        since = events.lazy().join(found.lazy().select("machine", "begins"), on="machine", how="left")
        return EVENTS.conform(since.filter(pl.col("begins").is_null() | (pl.col("at") >= pl.col("begins"))))

    made = derive_onward(before, new, given[1], events_from)
    if made is None:
        return derive_all(events.lazy(), new, given[1]), None
    return put(facts, *made), dict(made[1].select("machine", "cut").iter_rows())


def assert_as_derived_whole(found, events: pl.DataFrame, new: list[Held], given: pl.LazyFrame = NO_PLANS) -> None:
    """What is carried is the same from any day since on which there was news: of that any day will do."""
    whole = derive_all(events.lazy(), new, given)
    days = [facts["carried"].select("machine", "as_of").unique() for facts in (found, whole)]
    both = days[0].join(days[1], on=["machine", "as_of"], nulls_equal=True)
    one, other = (
        {**facts, "carried": facts["carried"].join(both, on=["machine", "as_of"], how="semi", nulls_equal=True)}
        for facts in (found, whole)
    )
    assert_same(one, other)


def site(text: str) -> list[Held]:
    return [Held(None, parse_site(text))]


@pytest.fixture(scope="module")
def events() -> pl.DataFrame:
    return shop_log(DAYS, [])


@pytest.fixture(scope="module")
def stand(events) -> Facts:
    """Facts before the edit."""
    return derive_all(events.lazy(), site(ORDERS), NO_PLANS)


@pytest.mark.parametrize("name", [*PARTS, *EVERYTHING])
def test_an_edit_gives_what_deriving_everything_gives(events, stand, name):
    edit = (PARTS | EVERYTHING)[name]
    found, cuts = redone(events, site(ORDERS), site(edit(ORDERS)), stand=stand)
    assert_as_derived_whole(found, events, site(edit(ORDERS)))
    if name in EVERYTHING:
        assert cuts is None
    if name in QUIET:
        assert cuts
        assert min(cuts.values()) > second((LONG - 5) * DAY), "what nobody depends on redoes the last days at most"


READ = {
    SiteNames: {"time_zone"},
    Closure: {"start", "end", "machines"},
    Limits: set(Limits.model_fields) - {"coverage_flag", "reload_fault_goal_per_100"},
    Feeder: {"bars_held", "minimum_remnant_mm", "planned_reload_s"},
    Machine: {"feeder", "path", "part_counter", "stops_for_breaks", "automatic_door", "heartbeat", "limits"},
    Site: {"site", "limits_", "shift", "closure", "machine_", "job_", "cause"},
}
"""Settings facts are made of, where not all of a section are."""
OTHER = {
    SiteNames: {"name": "Two lathes", "currency": "CHF", "time_zone": "Europe/Berlin"},
    Closure: {"start": date(2026, 1, 1), "end": date(2026, 2, 2), "machines": ["T01"], "reason": "inventory"},
    Limits: {name: field.default + 0.5 for name, field in Limits.model_fields.items()},
    Feeder: {"kind": "hand", "bars_held": 9, "longest_bar_mm": 9.0, "minimum_remnant_mm": 9.0, "planned_reload_s": 9.0},
    Machine: {
        "name": "T04",
        "cell": "left",
        "feeder": None,
        "spindles": ["main", "sub"],
        "path": "other",
        "part_counter": "active stretch",
        "stops_for_breaks": True,
        "automatic_door": True,
        "heartbeat": Heartbeat(item="LOAD", limit_s=9.0),
        "limits": OwnLimits(minor_stop_s=9.0),
    },
    Site: {
        "site": SiteNames(name="Three lathes", time_zone="Europe/Berlin"),
        "limits_": Limits(minor_stop_s=9.0),
        "shift": [],
        "closure": [],
        "machine_": [],
        "source": [Source(name="all", files=["*"])],
        "job_": [],
        "changeover": Changeover(size_s=9.0),
        "sawing": Sawing(kerf_mm=9.0),
        "dashboard": Dashboard(writers=["a@example.com"]),
        "cause": [],
    },
}
"""Every setting of these sections with another value."""


def with_settings(shop: Site, section: type, settings: dict) -> Site:
    """The site with settings of the first of such a section."""

    def edit(one):
        return one.model_copy(update=settings)

    first, *others = shop.machines
    return {
        SiteNames: lambda: shop.model_copy(update={"site": edit(shop.site)}),
        Closure: lambda: shop.model_copy(update={"closure": [edit(shop.closure[0])]}),
        Limits: lambda: shop.model_copy(update={"limits_": edit(shop.limits_)}),
        Feeder: lambda: shop.model_copy(
            update={"machine_": [first.model_copy(update={"feeder": edit(first.feeder)}), *others]}
        ),
        Machine: lambda: shop.model_copy(update={"machine_": [edit(first), *others]}),
        Site: lambda: edit(shop),
    }[section]()


def test_facts_are_old_where_a_setting_is_edited_that_they_are_made_of_and_else_not(events):
    """Whoever adds a setting says here whether facts are made of it."""
    shop = parse_site(closed("2026-01-20", "2026-01-21")(SHOP))
    old, unread = basis([Held(None, shop)], 1).text, shop
    for section, others in OTHER.items():
        assert others.keys() == section.model_fields.keys(), section
        for name, value in others.items():
            edited = with_settings(shop, section, {name: value})
            assert edited != shop
            is_name = (section, name) == (Machine, "name")
            assert (basis([Held(None, edited)], 1).text != old) == (name in READ[section] or is_name), (section, name)
            if name not in READ[section] and not is_name:
                unread = with_settings(unread, section, {name: value})
    assert_as_derived_whole(derive_all(events.lazy(), [Held(None, shop)], NO_PLANS), events, [Held(None, unread)])


def test_what_concerns_one_machine_redoes_that_machine_only(events, stand):
    """Whole where its settings are edited; from its closure on; others from the last days, which go on."""
    for name, whose in (("limit of one machine", "T02"), ("automatic door", "T03"), ("heartbeat", "T01")):
        _, cuts = redone(events, site(ORDERS), site(PARTS[name](ORDERS)), stand=stand)
        assert cuts is not None
        assert set(MACHINES) - cuts.keys() == {whose}
    _, cuts = redone(events, site(ORDERS), site(PARTS["closure of one machine"](ORDERS)), stand=stand)
    assert cuts is not None
    begins = datetime(2026, 1, 20, 8, tzinfo=UTC)
    assert begins - timedelta(days=4) < cuts["T02"] < begins
    assert min(cuts["T01"], cuts["T03"]) > second((LONG - 5) * DAY)


def test_a_rule_redoes_the_machines_that_told_its_alarm_from_the_first_time_on():
    """T02 tells 3001 on its tenth day; nobody else does."""
    text = written(DAYS, []) + f"\n{10 * DAY} alarm FAULT 3001 x\n{10 * DAY + 300} alarm NORMAL"
    events = pl.concat([log(written(DAYS, []), "T01"), log(text, "T02")]).collect()
    edited = PARTS["rule before the others"]
    found, cuts = redone(events, site(ORDERS), site(edited(ORDERS)))
    assert cuts is not None
    assert second(6 * DAY) < cuts["T02"] < second(10 * DAY)
    assert cuts["T01"] > second((LONG - 5) * DAY)
    assert found["alarms"].filter(pl.col("code") == "3001").collect()["cause"].to_list() == ["pick-off failed"]


@given(
    days=st.permutations(DAYS[:10]),
    noise=st.lists(STEPS, min_size=3, max_size=6),
    names=st.lists(st.sampled_from([*PARTS, *EVERYTHING]), min_size=1, max_size=3, unique=True),
    text=st.sampled_from([SHOP, ORDERS]),
    backwards=st.booleans(),
)
@settings(max_examples=examples(3), deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_several_edits_at_once_and_taken_back_give_what_deriving_everything_gives(days, noise, names, text, backwards):
    events = shop_log(["pins", "noise", "caps", "noise", *days], noise)
    edited = text
    for name in names:
        try:
            edited = (PARTS | EVERYTHING)[name](edited)
            parse_site(edited)
        except (AssertionError, SiteError):  # two edits of one place
            return
    old, new = (edited, text) if backwards else (text, edited)
    found, _ = redone(events, site(old), site(new))
    assert_as_derived_whole(found, events, site(new))


# --- standards and plans -------------------------------------------------------------------------

EDITED_AT = datetime(2026, 1, 22, 23, 0, tzinfo=UTC)


def held(text: str) -> list[Held]:
    """A standard that was edited on the tenth day."""
    return [Held(None, parse_site(text)), Held(EDITED_AT, parse_site(text.replace("cycle_s = 100", "cycle_s = 90")))]


@pytest.mark.parametrize("name", ["limit of one machine", "rule dropped"])
def test_an_edit_after_a_new_standard_keeps_the_old_standard_for_old_shifts(events, name):
    found, cuts = redone(events, held(SHOP), held(PARTS[name](SHOP)))
    assert cuts is not None
    assert_as_derived_whole(found, events, held(PARTS[name](SHOP)))


def test_a_new_standard_and_another_edit_at_once(events):
    found, cuts = redone(events, site(SHOP), held(PARTS["rule dropped"](SHOP)))
    assert cuts is not None
    assert_as_derived_whole(found, events, held(PARTS["rule dropped"](SHOP)))


def test_a_plan_redoes_its_machine_from_its_shift_on(events):
    one, other = plan(date(2026, 1, 15), "pin", 30), plan(date(2026, 1, 27), "cap", 500)
    changed = {**other, "quantity": 400}
    for old, new in (([one], [one, other]), ([one, other], [one, changed]), ([one, other], [one])):
        found, cuts = redone(events, site(ORDERS), site(ORDERS), (plans(*old), plans(*new)))
        assert_as_derived_whole(found, events, site(ORDERS), plans(*new))
        assert cuts is not None
        assert second(8 * DAY) < cuts["T01"] < datetime(2026, 1, 27, tzinfo=UTC)
        assert cuts["T02"] > second((LONG - 5) * DAY)


def test_a_plan_for_a_job_that_was_not_known_yet(events):
    rows = plans(plan(date(2026, 1, 20), "nut", 30))
    edited = PARTS["job added that nobody made"](SHOP)
    found, cuts = redone(events, site(SHOP), site(edited), (rows, rows))
    assert cuts is not None
    assert_as_derived_whole(found, events, site(edited), rows)


def since_tenth_day(old: str, new: str) -> list[Held]:
    return [Held(None, parse_site(old)), Held(EDITED_AT, parse_site(new))]


def test_what_an_older_standard_says_counts_as_well(events):
    """An order, or the longest bar of all jobs, that only the older of two standards has."""
    ordered, counter = since_tenth_day(ORDERS, SHOP), PARTS["counter"]
    found, _ = redone(events, ordered, new := since_tenth_day(counter(ORDERS), counter(SHOP)))
    assert_as_derived_whole(found, events, new)

    longer = SHOP.replace("density_kg_dm3 = 8.47\nbar_mm = 300", "density_kg_dm3 = 8.47\nbar_mm = 400")
    job = beside(_NEW_JOB.replace('"O2"', '"O8"').replace("bar_mm = 300", "bar_mm = 390"))
    rises = [
        f"{100 + day * DAY + 9 * 3600 + 505 + 520 * bar + at} remaining {left}"
        for day in range(10)
        for bar in range(6)
        for at, left in ((2, 100), (18, 280))
    ]
    lines = sorted([*written(["pins"] * 10, []).split("\n"), *rises], key=lambda line: float(line.split()[0]))
    told = log("\n".join(lines)).collect()
    found, _ = redone(told, since_tenth_day(SHOP, longer), new := since_tenth_day(job(SHOP), job(longer)))
    assert_as_derived_whole(found, told, new)


def test_a_standard_that_shows_in_bars_takes_no_other_machine_along(events):
    dearer = SHOP.replace("price_per_kg = 2", "price_per_kg = 3")
    edited = PARTS["limit of one machine"]
    found, cuts = redone(events, since_tenth_day(SHOP, dearer), new := since_tenth_day(edited(SHOP), edited(dearer)))
    assert_as_derived_whole(found, events, new)
    assert cuts is not None
    assert min(cuts.values()) > second((LONG - 5) * DAY)


# --- a machine whose log begins later than the others' -------------------------------------------

LATER_AT = datetime(2026, 1, 18, 23, 0, tzinfo=UTC)
"""Between the first event of all and the first of T02."""


@pytest.fixture(scope="module")
def later() -> pl.DataFrame:
    """T01 from the first day on, T02 from the tenth on."""
    lines = [line.split(maxsplit=1) for line in written(["pins"] * 8, []).split("\n")]
    shifted = [f"{float(at) + 10 * DAY} {what}" for at, what in lines]
    late = log("\n".join(shifted), "T02").with_columns(pl.col("line") + 10**6)
    return pl.concat([log(written(["caps"] * 18, [])), late]).collect()


def test_shifts_before_a_machines_first_event_keep_the_standard_of_their_time(later):
    faster, limit = SHOP.replace("cycle_s = 100", "cycle_s = 90"), PARTS["limit of one machine"]
    old = [Held(None, parse_site(SHOP)), Held(LATER_AT, parse_site(faster))]
    new = [Held(None, parse_site(limit(SHOP))), Held(LATER_AT, parse_site(limit(faster)))]
    found, cuts = redone(later, old, new)
    assert cuts is not None
    assert_as_derived_whole(found, later, new)


def test_shifts_before_a_machines_first_event_are_its_first_jobs(later):
    shut = closed("2026-01-18", "2026-01-23T22:00:00", "T02")(SHOP)
    new = site(shut.replace('name = "pin"', 'name = "pin 2"'))
    found, _ = redone(later, site(shut), new)
    assert_as_derived_whole(found, later, new)


def test_of_two_groups_of_one_cause_the_first_counts(events):
    def odd(group: str) -> str:
        first = f'cause = "odd"\ngroup = "{group}"\ncodes = ["2101"]'
        second = '[[cause]]\ncause = "odd"\ngroup = "machine"\ncodes = ["1"]'
        return SHOP.replace('cause = "misfeed"\ncodes = ["2101"]', f"{first}\n\n{second}")

    assert parse_site(odd("bar supply")).cause_groups["odd"] == "bar supply"
    found, _ = redone(events, site(odd("machine")), site(odd("bar supply")))
    assert_as_derived_whole(found, events, site(odd("bar supply")))


def test_a_machine_without_events_is_planned_by_what_was_left_of_an_order_then(events):
    """90 pins are made in the first days; what T09 may make of them is asked again with any news."""
    rows = plans(*(plan(date(2026, 1, day), "pin", 30, "T09") for day in (13, 14, 15, 22)))
    shop = PARTS["machine added"](ORDERS)
    found, cuts = redone(events, site(shop), site(PARTS["closure to come"](shop)), (rows, rows))
    assert cuts is not None
    assert_as_derived_whole(found, events, site(shop), rows)


def test_what_another_version_kept_is_no_basis():
    assert read_basis("0123abc") is None
    assert read_basis('{"everything": "x"}') is None


def test_a_site_is_edited_by_these_edits():
    """Each edit changes the site, and what it leaves can be read."""
    for name, edit in (PARTS | EVERYTHING).items():
        assert isinstance(parse_site(edit(SHOP)), Site), name
        assert parse_site(edit(SHOP)) != parse_site(SHOP), name
