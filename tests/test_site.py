"""The site file: every mistake told at once, in the reader's words."""

from datetime import UTC, date, datetime
from pathlib import Path

import pytest

from runlog.errors import SiteError
from runlog.schema import CAUSE_GROUPS
from runlog.site import (
    Changeover,
    Sawing,
    Site,
    load_site,
    missing_documents,
    parse_site,
    starter,
)

NAMES = """
[site]
name = "Our shop"
time_zone = "Europe/Berlin"
"""

MACHINE = """
[[machine]]
name = "T01"
feeder = { bars_held = 12, longest_bar_mm = 1250, minimum_remnant_mm = 90, planned_reload_s = 40 }
"""


def job(name: str = "bush", program: str = "O1", **changed: str) -> str:
    """A job; `changed` gives values as TOML writes them."""
    values = {
        "cycle_s": "75",
        "part_mm": "42",
        "parting_mm": "3",
        "diameter_mm": "32",
        "material": '"1.4305"',
        "density_kg_dm3": "7.9",
        "bar_mm": "1200",
    }
    lines = [f"{key} = {value}" for key, value in (values | changed).items() if value]
    return f'[[job]]\nname = "{name}"\nprograms = ["{program}"]\n' + "\n".join(lines) + "\n"


def shift(name: str, start: str, end: str, more: str = "") -> str:
    return f'[[shift]]\nname = "{name}"\nstart = "{start}"\nend = "{end}"\n{more}\n'


def mistakes(text: str) -> list[str]:
    """What the check says of a site file."""
    with pytest.raises(SiteError) as caught:
        parse_site(text)
    assert str(caught.value) == "\n".join(caught.value.mistakes)
    return caught.value.mistakes


def test_starter_passes_its_own_check():
    site = parse_site(starter())
    assert [machine.name for machine in site.machines] == ["T01"]
    assert [shift.attended for shift in site.shift] == [True, True, False]


def test_starter_names_every_limit_it_comments_on_as_the_default_is():
    text = starter().replace("# [limits]", "[limits]")
    named = ("cycle_gap_s", "minor_stop_s", "hung_after", "reload_slow", "reload_give_up")
    lines = [
        line.removeprefix("# ") if line.startswith(tuple(f"# {n}" for n in named)) else line
        for line in text.splitlines()
    ]
    assert parse_site("\n".join(lines)).limits_ == parse_site(starter()).limits_


def test_starter_names_times_and_lengths_it_comments_on_as_their_defaults_are():
    names = ("changeover", "size_s", "pusher_s", "liner_s", "collet_s", "sawing", "bought_mm", "kerf_mm")
    opened = [
        line.removeprefix("# ") if line.removeprefix("# ").lstrip("[").startswith(names) else line
        for line in starter().splitlines()
    ]
    text = "\n".join(opened)
    assert "\n[changeover]" in text
    assert "\nkerf_mm = 3" in text
    assert (parse_site(text).changeover, parse_site(text).sawing) == (Changeover(), Sawing())


def test_entries_count_from_one_and_say_what_was_expected():
    assert mistakes(NAMES + job() + job("pin", "O2", cycle_s="0")) == [
        "site.toml: job[2].cycle_s: 0 found, a time above 0 s expected"
    ]


def test_all_mistakes_come_at_once():
    """A wrong number in one place hides neither others nor what is wrong between sections."""
    text = (
        NAMES.replace("Europe/Berlin", "Europe/Atlantis")
        + MACHINE.replace("bars_held = 12", "bars_held = 0")
        + job(part_mm="-42", density_kg_dm3='"heavy"')
        + job("pin", "O2", diameter_mm="")
        + job("nut", "O3")
        + job("nut", "O3")
        + '[[source]]\nname = "a"\nfiles = ["*.csv"]\nmachine = "T07"\n'
    )
    assert mistakes(text) == [
        "site.toml: site.time_zone: 'Europe/Atlantis' found, a time zone such as \"Europe/Berlin\" expected",
        "site.toml: machine[1].feeder.bars_held: 0 found, a whole number of 1 or more expected",
        "site.toml: job[1].part_mm: -42 found, a length above 0 mm expected",
        "site.toml: job[1].density_kg_dm3: 'heavy' found, a density above 0 kg/dm3 expected",
        "site.toml: job[2].diameter_mm: nothing found, a value expected",
        "site.toml: job[4].name: 'nut' found, a name not used before expected",
        "site.toml: job[4].programs: 'O3' found, already of job[3]; one job a program expected",
        "site.toml: source[1].machine: 'T07' found, a machine of this file expected",
    ]


@pytest.mark.parametrize(
    ("text", "mistake"),
    [
        (job(cycle_s="nan"), "job[1].cycle_s: nan found, a time above 0 s expected"),
        (job(cycle_s="inf"), "job[1].cycle_s: inf found, a time above 0 s expected"),
        (job(cycle_s="true"), "job[1].cycle_s: True found, a time above 0 s expected"),
        (job(cycle_s='"75"'), "job[1].cycle_s: '75' found, a time above 0 s expected"),
        (job(colour='"red"'), "job[1].colour: unknown key found, a known one expected (spelling?)"),
        (job(section='"oval"'), "job[1].section: 'oval' found, 'round', 'hexagon' or 'square' expected"),
        (job(bar_mm="42"), "job[1].bar_mm: 42 found, more than top cut and one part expected"),
        (job("no job"), "job[1].name: 'no job' found, another name expected: it stands for programs of no job"),
        (job("  "), "job[1].name: '  ' found, a text expected"),
        (job().replace('["O1"]', '"O1"'), "job[1].programs: 'O1' found, a list expected"),
        ("job = 5", "job: 5 found, a list expected"),
        ("job = [5]", "job[1]: 5 found, a section of keys expected"),
        ("[[colour]]", "colour: unknown key found, a known one expected (spelling?)"),
        ("[limits]\nminor_stop_s = -1", "limits.minor_stop_s: -1 found, a time of 0 s or more expected"),
        ("[limits]\ncoverage_flag = 95", "limits.coverage_flag: 95 found, a share above 0, up to 1 expected"),
        (shift("a", "25:00", "06:00"), "shift[1].start: '25:00' found, a local clock time such as \"22:00\" expected"),
        (
            shift("a", "22:00+01:00", "06:00"),
            "shift[1].start: '22:00+01:00' found, a local clock time such as \"22:00\" expected",
        ),
        (shift("a", "22:00", "06:00", "attended = 7"), "shift[1].attended: 7 found, true or false expected"),
        (
            '[[closure]]\nstart = 5\nend = 2026-12-25',
            "closure[1].start: 5 found, a date such as 2026-12-24 or a time such as 2026-12-24T06:00:00 expected",
        ),
        (
            "[[closure]]\nstart = 2026-12-24\nend = 2026-12-24",
            "closure[1].end: 2026-12-24 found, an end after the start expected",
        ),
        (
            '[[closure]]\nstart = 2026-12-24\nend = 2026-12-25\nmachines = ["T09"]',
            "closure[1].machines: 'T09' found, a machine of this file expected",
        ),
        (
            '[[source]]\nname = "a"\nfiles = ["*"]\nmachines = { lathe-1 = "T09" }',
            "source[1].machines.lathe-1: 'T09' found, a machine of this file expected",
        ),
        (
            '[[source]]\nname = "a"\nfiles = ["*"]\ncsv = { time = "t" }',
            "source[1].machine: nothing found, a machine, or `csv.machine` to name its column, expected",
        ),
        (
            '[[source]]\nname = "a"\nfiles = ["*"]\ncsv = { time = "t", machine = "m", signal = "s" }',
            "source[1].csv: these keys found, both `signal` and `value` (long) or neither (wide) expected",
        ),
        (
            '[[source]]\nname = "a"\nfiles = ["*"]\nkeys = { run = { item = "Execution" } }',
            "source[1].keys.run.item: 'Execution' found, a standard item in upper case such as \"EXECUTION\" expected",
        ),
        ("[changeover]\nliner_s = -1", "changeover.liner_s: -1 found, a time of 0 s or more expected"),
        ('[changeover]\nsize_s = "5 min"', "changeover.size_s: '5 min' found, a time of 0 s or more expected"),
        ("[changeover]\ntools_s = 60", "changeover.tools_s: unknown key found, a known one expected (spelling?)"),
        ("[sawing]\nbought_mm = 0", "sawing.bought_mm: 0 found, a length above 0 mm expected"),
        ("[sawing]\nkerf_mm = -3", "sawing.kerf_mm: -3 found, a length of 0 mm or more expected"),
        (
            '[dashboard]\nwriters = ["Anna"]',
            "dashboard.writers[1]: 'Anna' found, an e-mail address such as \"a@example.com\" expected",
        ),
        ('[dashboard]\nwriters = "a@example.com"', "dashboard.writers: 'a@example.com' found, a list expected"),
        ('[[cause]]\ncause = "misfeed"', "cause[1]: these keys found, `codes` or `text` expected"),
        ('[[cause]]\ncause = "misfeed"\ntext = "("', "cause[1].text: '(' found, a text or regular expression expected"),
        (
            '[[cause]]\ncause = "gremlins"\ncodes = ["1"]',
            "cause[1]: these keys found, a `group` for a cause of your own, or one of: "
            + ", ".join(CAUSE_GROUPS)
            + " expected",
        ),
    ],
)  # fmt: skip
def test_a_mistake_says_where_what_and_what_instead(text: str, mistake: str):
    # A key outside any section has to stand above the first one.
    text = text + NAMES if text.startswith("job =") else NAMES + text
    assert mistakes(text) == [f"site.toml: {mistake}"]


def test_overlapping_shifts_are_refused_also_over_midnight_and_sunday():
    assert mistakes(NAMES + shift("early", "06:00", "14:00") + shift("late", "13:30", "22:00")) == [
        "site.toml: shift[2].start: 13:30-22:00 found, no overlap with shift[1] 'early' expected"
    ]
    sunday = shift("night", "22:00", "06:00", 'days = ["sun"]')
    assert len(mistakes(NAMES + sunday + shift("early", "05:00", "14:00", 'days = ["mon"]'))) == 1
    assert parse_site(NAMES + sunday + shift("early", "05:00", "14:00", 'days = ["tue"]'))


def test_shifts_may_adjoin_and_last_a_whole_day():
    assert parse_site(NAMES + shift("early", "06:00", "14:00") + shift("rest", "14:00", "06:00"))
    assert parse_site(NAMES + shift("day", "06:00", "06:00"))


def test_a_break_lies_within_its_shift():
    over_midnight = 'breaks = [{ start = "23:50", end = "00:20" }, { start = "02:00", end = "02:30" }]'
    assert parse_site(NAMES + shift("night", "22:00", "06:00", over_midnight))
    assert mistakes(NAMES + shift("night", "22:00", "06:00", 'breaks = [{ start = "05:45", end = "06:15" }]')) == [
        "site.toml: shift[1].breaks[1]: 05:45-06:15 found, a break within 22:00-06:00 expected"
    ]
    assert len(mistakes(NAMES + shift("early", "06:00", "14:00", 'breaks = [{ start = "05:00", end = "05:30" }]'))) == 1


def test_closures_take_dates_and_times():
    site = parse_site(NAMES + "[[closure]]\nstart = 2026-12-24\nend = 2026-12-31T06:00:00+01:00")
    assert site.closure[0].start == date(2026, 12, 24)
    assert site.closure[0].end == datetime(2026, 12, 31, 5, tzinfo=UTC)
    assert parse_site(NAMES + '[[closure]]\nstart = "2026-12-24"\nend = "2026-12-24T06:00"').closure


def test_load_site_tells_of_no_file_no_text_and_no_toml(tmp_path: Path):
    with pytest.raises(SiteError, match=r"site\.toml: no site file found; `runlog site new` writes one"):
        load_site(tmp_path / "site.toml")
    file = tmp_path / "site.toml"
    file.write_bytes(b"\xff\xfe")
    with pytest.raises(SiteError, match=r"site\.toml: cannot be read"):
        load_site(file)
    file.write_text("[site\n", encoding="utf-8")
    with pytest.raises(SiteError, match=r"site\.toml: no valid TOML: .*line 1"):
        load_site(file)


def test_a_byte_order_mark_is_tolerated(tmp_path: Path):
    file = tmp_path / "shop.toml"
    file.write_text(NAMES, encoding="utf-8-sig")
    assert load_site(file).site.name == "Our shop"
    file.write_text(NAMES + "x = 1", encoding="utf-8")
    with pytest.raises(SiteError, match=r"shop\.toml: site\.x: unknown key"):
        load_site(file)


def test_documents_a_site_names_are_looked_for_beside_it(tmp_path: Path):
    site = parse_site(NAMES + '[[source]]\nname = "a"\nfiles = ["*.log"]\ndevices = "devices.xml"')
    assert missing_documents(site, tmp_path) == [
        f"source[1].devices: 'devices.xml' found, a file in {tmp_path} expected"
    ]
    (tmp_path / "devices.xml").touch()
    assert missing_documents(site, tmp_path) == []


# --- what the site answers -----------------------------------------------------------------------


@pytest.fixture
def site() -> Site:
    own = '[machine.limits]\nminor_stop_s = 60\n[[machine]]\nname = "T02"\n[limits]\ncycle_gap_s = 5\n'
    jobs = job() + job("shaft", "O2", planned_reload_s="55", minimum_remnant_mm="110")
    rule = '[[cause]]\ncause = "gremlins"\ngroup = "machine"\ncodes = ["1"]\n'
    return parse_site(NAMES + MACHINE + own + jobs + rule)


def test_limits_are_the_machines_own_else_the_sites_else_the_defaults(site: Site):
    assert (site.limits("T01").minor_stop_s, site.limits("T02").minor_stop_s) == (60, 300)
    assert (site.limits("T01").cycle_gap_s, site.limits("nobody").cycle_gap_s) == (5, 5)


def test_the_job_speaks_before_the_feeder(site: Site):
    bush, shaft = site.job("bush"), site.job("shaft")
    assert bush
    assert shaft
    assert (site.planned_reload_s("T01", bush), site.planned_reload_s("T01", shaft)) == (40, 55)
    assert (site.planned_reload_s("T02", bush), site.planned_reload_s("T02", None)) == (None, None)
    assert (site.minimum_remnant_mm("T01", bush), site.minimum_remnant_mm("T01", shaft)) == (90, 110)
    assert site.minimum_remnant_mm("T02", bush) == 0


def test_unknown_jobs_and_causes(site: Site):
    assert site.job("no job") is None
    assert site.job("never heard of") is None
    assert site.cause_group("gremlins") == "machine"
    assert site.cause_group("misfeed") == "bar supply"
    assert site.cause_groups["gremlins"] == "machine"
