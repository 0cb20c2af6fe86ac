"""One tiny log a rule of docs/rules.md, with the answer worked out beside it. Second 0 is 22:00, an unattended hour."""

import polars as pl
import pytest
from derive.literal import SITE, log, second

from runlog.derive import derive
from runlog.site import parse_site

START = """
0 avail AVAILABLE
0 mode AUTOMATIC
0 program O1
0 count 0
0 door CLOSED
0 eob NO
0 change READY
"""


def facts_of(text: str, site: str = SITE) -> dict[str, pl.DataFrame]:
    return {name: frame.collect() for name, frame in derive(log(START + text), parse_site(site)).items()}


def spans_of(facts: dict[str, pl.DataFrame], *columns: str) -> list[tuple]:
    """Spans as (start second, end second, kind, further columns)."""
    spans = facts["spans"].with_columns(
        start=(pl.col("start") - second(0)).dt.total_seconds(), end=(pl.col("end") - second(0)).dt.total_seconds()
    )
    return spans.select("start", "end", "kind", *columns).rows()


def cycles(start: int, n: int, first_count: int = 1, cycle: int = 100, pause: int = 4) -> str:
    """n cycles from a second on: ACTIVE, count, READY."""
    lines = []
    for i in range(n):
        begin = start + i * (cycle + pause)
        lines += [f"{begin} exec ACTIVE", f"{begin + cycle} count {first_count + i}", f"{begin + cycle} exec READY"]
    return "\n".join(lines) + "\n"


# --- spans ---------------------------------------------------------------------------------------


def test_pause_between_cycles_is_production_up_to_the_gap():
    """10 s between two cycles of one program is no stop; 11 s is."""
    ten = facts_of("0 exec ACTIVE\n100 exec READY\n110 exec ACTIVE\n200 exec ACTIVE")
    assert spans_of(ten) == [(0, 200, "producing")]
    eleven = facts_of("0 exec ACTIVE\n100 exec READY\n111 exec ACTIVE\n200 exec ACTIVE")
    assert spans_of(eleven) == [(0, 100, "producing"), (100, 111, "stopped"), (111, 200, "producing")]


def test_manual_without_a_stop_is_setting_and_with_one_mends_it():
    setting = facts_of("0 exec ACTIVE\n100 mode MANUAL\n300 mode AUTOMATIC\n400 exec ACTIVE")
    assert spans_of(setting)[1] == (100, 300, "setting")
    mended = facts_of(
        "0 exec ACTIVE\n100 exec READY\n150 mode MANUAL\n300 mode AUTOMATIC\n310 exec ACTIVE\n400 exec ACTIVE"
    )
    assert [(s, e, k) for s, e, k in spans_of(mended) if k == "stopped"] == [
        (100, 150, "stopped"),
        (150, 310, "stopped"),
    ]
    assert mended["stops"].height == 1


def test_short_loss_of_signal_does_not_end_a_stop():
    """Stopped 100-150, lost for 60 s, stopped 210-400: one stop of 300 s, 240 s of it stopped."""
    facts = facts_of(
        "0 exec ACTIVE\n100 exec READY\n150 exec UNAVAILABLE\n210 exec READY\n400 exec ACTIVE\n500 exec ACTIVE"
    )
    stop = facts["stops"].row(0, named=True)
    assert (facts["stops"].height, stop["start"], stop["end"], stop["minor"]) == (1, second(100), second(400), False)
    night = facts["shift_figures"].filter(pl.col("shift") == "night").row(0, named=True)
    assert (night["stopped_s"], night["no_signal_s"]) == (240, 60)


def test_long_loss_of_signal_ends_a_stop_and_names_the_next():
    facts = facts_of(
        "0 exec ACTIVE\n100 exec READY\n150 exec UNAVAILABLE\n600 exec READY\n1000 exec ACTIVE\n1100 exec ACTIVE"
    )
    assert facts["stops"]["cause"].to_list() == ["unexplained", "signal lost"]


def test_emergency_stop_inside_a_stop_begins_a_new_one():
    facts = facts_of(
        "0 exec ACTIVE\n0 estop ARMED\n100 exec READY\n"
        "200 estop TRIGGERED\n900 estop ARMED\n950 exec ACTIVE\n999 count 0"
    )
    got = facts["stops"].select("start", "end", "cause").rows()
    assert got == [(second(100), second(200), "unexplained"), (second(200), second(950), "emergency stop")]


def test_hung_cycle():
    """ACTIVE from 104 with no part for over 3 x 100 s: what lies past 104 + 100 is stopped, until the next part."""
    facts = facts_of(
        cycles(0, 1) + "104 exec ACTIVE\n2000 count 2\n2000 exec READY\n2004 exec ACTIVE\n2050 exec ACTIVE"
    )
    assert spans_of(facts, "cause") == [
        (0, 204, "producing", None),
        (204, 2000, "stopped", "hung in cycle"),
        (2000, 2050, "producing", None),
    ]


def test_a_cycle_that_is_only_slow_is_not_hung():
    """299 s since its start is less than three standard cycles."""
    facts = facts_of(cycles(0, 1) + "104 exec ACTIVE\n403 count 2\n403 exec READY")
    assert spans_of(facts) == [(0, 403, "producing")]


def test_hung_cycle_yields_to_a_fault_that_comes_up_in_it():
    facts = facts_of(
        cycles(0, 1) + "104 exec ACTIVE\n900 alarm FAULT 3001 Tool broken\n901 exec INTERRUPTED\n2000 exec INTERRUPTED"
    )
    stop = facts["stops"].row(0, named=True)
    assert (stop["start"], stop["end"], stop["cause"]) == (second(204), second(2000), "tool broken")


def test_heartbeat_overdue_is_no_signal():
    """Heard at 0 and 500 with a limit of 60 s: not known from 60 to 500."""
    site = SITE.replace('name = "T01"\n', 'name = "T01"\nheartbeat = { item = "LENGTH", limit_s = 60 }\n')
    facts = facts_of("0 exec ACTIVE\n0 remaining 200\n500 remaining 190\n550 exec ACTIVE", site)
    assert spans_of(facts) == [(0, 60, "producing"), (60, 500, "no signal"), (500, 550, "producing")]


def test_setup_notes_keep_no_machine_alive():
    """The log ends at 100; bars noted an hour later do not stretch its last state until then."""
    facts = facts_of("0 exec ACTIVE\n100 count 1\n3700 bars 12")
    assert spans_of(facts) == [(0, 100, "producing")]


# --- parts ---------------------------------------------------------------------------------------


def test_reset_counts_nothing_and_a_skip_counts_all():
    """1 -> 0 is a reset; 0 -> 2 are two parts, spread over the time it was ACTIVE since the count before."""
    facts = facts_of("0 exec ACTIVE\n5 count 1\n10 count 0\n20 exec READY\n300 exec ACTIVE\n380 count 2")
    # ACTIVE 5-20 and 300-380 are 95 s: half of it at 300 + 47.5 - 15 = 332.5, all of it at 380.
    assert facts["parts"]["at"].to_list() == [second(5), second(332.5), second(380)]
    skipped = facts_of("0 exec ACTIVE\n20 count 1\n40 exec READY\n300 exec ACTIVE\n380 count 3\n400 exec ACTIVE")[
        "parts"
    ]
    # ACTIVE 20-40 and 300-380 are 100 s: half of it at 300 + 30 = 330, all of it at 380.
    assert skipped["at"].to_list() == [second(20), second(330), second(380)]
    assert skipped["counted_in_batch"].to_list() == [False, True, True]


def test_parts_made_in_lost_signal_are_made_unseen():
    """3 parts between 20 and 380, ACTIVE to 60, lost to 300, ACTIVE to 380: 360 s, so 140, 260 and 380; two unseen."""
    parts = facts_of(
        "0 exec ACTIVE\n20 count 1\n60 exec UNAVAILABLE\n60 count UNAVAILABLE\n300 exec ACTIVE\n380 count 4"
    )["parts"]
    assert parts["at"].to_list() == [second(20), second(140), second(260), second(380)]
    assert parts["made_unseen"].to_list() == [False, True, True, False]


def test_programs_count_where_no_counter_moves():
    facts = facts_of(
        "0 exec ACTIVE\n100 exec PROGRAM_COMPLETED\n104 exec ACTIVE\n204 exec PROGRAM_COMPLETED\n300 exec READY"
    )
    assert facts["parts"].select("at", "evidence").rows() == [
        (second(100), "program completed"),
        (second(204), "program completed"),
    ]


def test_active_stretches_count_where_nothing_else_does():
    """At least half a standard cycle of 100 s, ending in READY uninterrupted: 49 s is none."""
    facts = facts_of(
        "0 exec ACTIVE\n100 exec READY\n104 exec ACTIVE\n153 exec READY\n200 exec ACTIVE\n260 exec INTERRUPTED"
    )
    assert facts["parts"].select("at", "evidence").rows() == [(second(100), "active stretch")]


def test_good_counter_alone_measures_quality():
    facts = facts_of("0 good 0\n" + cycles(0, 2) + "300 good 1")
    assert facts["parts"]["good"].to_list() == [False, True]


def test_a_bad_part_of_a_batch_is_its_last_every_time():
    """Two parts counted at one instant while nothing ran stand at that instant both; BAD speaks of the second."""
    for _ in range(20):
        parts = facts_of("0 bad 0\n0 exec READY\n100 count 2\n100 bad 1\n200 exec READY")["parts"]
        assert parts.select("at", "good").rows() == [(second(100), True), (second(100), False)]


# --- reloads -------------------------------------------------------------------------------------


def outcomes(text: str, site: str = SITE) -> list[tuple]:
    frame = facts_of(text, site)["reloads"].with_columns((pl.col("start", "end") - second(0)).dt.total_seconds())
    return frame.select("start", "end", "outcome", "attempts", "evidence").rows()


def test_slow_reload_and_end_at_completion_without_a_cycle():
    """50 s against 30 planned is slow (over 45); the cycle comes 60 s after COMPLETE, so it ends at COMPLETE."""
    text = cycles(0, 1) + "102 change ACTIVE\n150 change COMPLETE\n210 exec ACTIVE\n310 count 2\n310 exec READY"
    assert outcomes(text) == [(100, 150, "slow", 1, "MATERIAL_CHANGE")]


def test_end_of_bar_alone_is_a_reload():
    text = cycles(0, 1) + "105 eob YES\n130 eob NO\n133 exec ACTIVE\n233 count 2\n233 exec READY"
    assert outcomes(text) == [(100, 133, "clean", 1, "END_OF_BAR")]


def test_length_jump_is_a_reload_that_began_with_the_last_part():
    text = cycles(0, 1) + "101 remaining 80\n125 remaining 295\n128 exec ACTIVE\n228 count 2\n228 exec READY"
    assert outcomes(text) == [(100, 128, "clean", 1, "LENGTH")]


def test_countdown_that_rises_again_is_a_reload():
    text = "0 left 1\n" + cycles(0, 1) + "100 left 0\n127 left 5\n130 exec ACTIVE\n230 count 2\n230 exec READY"
    assert outcomes(text) == [(100, 130, "clean", 1, "REMAINING")]


FAILED = cycles(0, 1) + "102 change ACTIVE\n120 change FAIL\n"


def test_failed_reload_with_an_alarm():
    facts = facts_of(FAILED + "120.5 feeder FAULT 2101 Misfeed\n121 exec INTERRUPTED\n900 exec INTERRUPTED")
    reload = facts["reloads"].row(0, named=True)
    assert (reload["outcome"], reload["end"], reload["first_out_code"]) == ("failed", second(120), "2101")
    assert facts["stops"].filter(~pl.col("minor"))["cause"].to_list() == ["misfeed"]


def test_empty_magazine_is_no_fault():
    facts = facts_of(FAILED + "120.5 feeder FAULT 2110 Magazine empty\n900 exec READY")
    assert facts["reloads"]["outcome"].to_list() == ["empty"]
    assert facts["stops"].row(-1, named=True)["cause"] == "magazine empty"
    night = facts["shift_figures"].filter(pl.col("shift") == "night").row(0, named=True)
    assert (night["reloads"], night["reload_faults"], night["reloads_unrated"]) == (0, 0, 1)


def test_failure_with_no_alarm_and_no_filling_noted_is_unclear():
    facts = facts_of(FAILED + "900 exec READY")
    assert facts["reloads"]["outcome"].to_list() == ["unclear"]
    assert facts["stops"].row(-1, named=True)["cause"] == "no bar or feeder fault"


def test_noted_filling_tells_empty_from_failed():
    """One bar noted: the first reload takes it, the second finds none. Two noted: the second is a failure."""
    second_bar = (
        cycles(0, 1)
        + "102 change ACTIVE\n125 change COMPLETE\n126 change READY\n128 exec ACTIVE\n228 count 2\n228 exec READY\n"
        + "230 change ACTIVE\n250 change FAIL\n900 exec READY"
    )
    assert [row[2] for row in outcomes("0 bars 1\n" + second_bar)] == ["clean", "empty"]
    assert [row[2] for row in outcomes("0 bars 2\n" + second_bar)] == ["clean", "failed"]


def test_reload_without_any_sign_gives_up():
    """Looping program, ACTIVE all the while: after 300 s it has failed, was reloading for its planned 30 s only."""
    facts = facts_of("0 exec ACTIVE\n100 count 1\n102 change ACTIVE\n3000 exec ACTIVE")
    reload = facts["reloads"].row(0, named=True)
    assert (reload["start"], reload["end"], reload["outcome"]) == (second(100), second(130), "unclear")
    assert spans_of(facts, "cause")[-1] == (130, 3000, "stopped", "no bar or feeder fault")


def test_reload_still_open_at_the_end_of_the_log():
    facts = facts_of(cycles(0, 1) + "102 change ACTIVE\n200 exec READY")
    assert facts["reloads"].select("end", "outcome").rows() == [(second(200), None)]


def test_reload_begun_in_manual_is_a_hand_load():
    text = (
        cycles(0, 1)
        + "101 mode MANUAL\n150 change ACTIVE\n170 change COMPLETE\n180 mode AUTOMATIC\n185 exec ACTIVE\n285 count 2"
    )
    facts = facts_of(text)
    assert facts["reloads"]["hand_load"].to_list() == [True]
    assert facts["shift_figures"]["reloads"].sum() == 0


def test_retry_after_five_minutes_is_no_recovery():
    """COMPLETE 301 s after FAIL is past `minor_stop`: failed at the FAIL."""
    text = FAILED + "421 change ACTIVE\n421.5 change COMPLETE\n425 exec ACTIVE\n525 count 2\n525 exec READY"
    assert outcomes(text)[0][:3] == (100, 120, "unclear")


# --- alarms --------------------------------------------------------------------------------------


def test_several_alarms_of_one_item_clear_one_by_one():
    alarms = facts_of(
        "0 exec ACTIVE\n10 alarm FAULT 1 a\n20 alarm FAULT 2 b\n30 alarm NORMAL 1\n40 alarm NORMAL\n50 exec ACTIVE"
    )["alarms"]
    assert alarms.select("code", "start", "end").rows() == [
        ("1", second(10), second(30)),
        ("2", second(20), second(40)),
    ]


def test_what_a_reconnect_restates_is_no_news():
    """The alarm of 10 s is repeated after the loss: it explains nothing that stops later."""
    facts = facts_of(
        "0 exec ACTIVE\n10 alarm FAULT 3001 Tool broken\n20 alarm UNAVAILABLE\n20 exec UNAVAILABLE\n"
        "900 exec ACTIVE\n900 alarm FAULT 3001 Tool broken\n905 exec READY\n1500 exec READY"
    )
    assert facts["alarms"]["restated"].to_list() == [False, True]
    assert facts["stops"]["cause"].to_list() == ["unexplained"]


def test_alarm_cleared_before_the_stop_did_not_cause_it():
    facts = facts_of(
        "0 exec ACTIVE\n50 alarm FAULT 3001 Tool broken\n60 alarm NORMAL 3001\n100 exec READY\n900 exec READY"
    )
    assert facts["stops"]["cause"].to_list() == ["unexplained"]


@pytest.mark.parametrize(
    ("state", "cause"),
    [
        ("FEED_HOLD", "feed hold"),
        ("PROGRAM_STOPPED", "programmed stop"),
        ("OPTIONAL_STOP", "programmed stop"),
        ("READY", "unexplained"),
    ],
)
def test_the_state_names_the_cause(state, cause):
    facts = facts_of(f"0 exec ACTIVE\n100 exec {state}\n900 exec {state}")
    assert facts["stops"]["cause"].to_list() == [cause]


def test_door_opened_and_count_reached_name_the_cause():
    opened = facts_of("0 exec ACTIVE\n95 door OPEN\n100 exec READY\n900 exec READY")
    assert opened["stops"]["cause"].to_list() == ["door opened"]
    order = SITE.replace("cycle_s = 100", "cycle_s = 100\norder_quantity = 1")
    done = facts_of(cycles(0, 1) + "900 exec READY", order)
    assert done["stops"]["cause"].to_list() == ["count reached"]
    assert done["unattended_runs"].select("ended_by", "cause").rows() == [("order complete", "count reached")]


# --- changeovers, bars of two jobs -----------------------------------------------------------------


CHANGE = (
    cycles(0, 2)
    + "300 door OPEN\n310 mode MANUAL\n400 program O2\n500 mode AUTOMATIC\n500 door CLOSED\n"
    + "510 exec ACTIVE\n570 count 3\n570 exec READY\n"  # a first piece, then the door again: a setting part
    + "580 door OPEN\n600 door CLOSED\n"
    + cycles(610, 2, first_count=4, cycle=60)
)


def test_changeover_is_waiting_then_setting_until_the_first_part_followed_by_another():
    """Last pin at 204; somebody came at 300; the cap counted at 670 is the first followed by another undisturbed."""
    facts = facts_of(CHANGE)
    row = facts["changeovers"].row(0, named=True)
    assert (row["from_job"], row["to_job"], row["what_changed"]) == ("pin", "cap", "diameter, material, part")
    assert (row["start"], row["setting_start"], row["end"]) == (second(204), second(300), second(670))
    assert (row["waiting_s"], row["working_s"]) == (96, 370)
    assert [(s, e, k) for s, e, k in spans_of(facts) if k == "setting"] == [
        (300, 400, "setting"),
        (400, 670, "setting"),
    ]
    assert facts["parts"]["setting"].to_list() == [False, False, True, False, False]


def test_two_jobs_on_one_bar_each_use_their_own_pitch():
    """Loaded at 130; two pins of 44 mm, then three caps of 24 mm: 88 + 72 + top cut 4 = 164 mm."""
    text = (
        cycles(0, 1)
        + "102 change ACTIVE\n125 change COMPLETE\n126 change READY\n"
        + cycles(130, 2, first_count=2)
        + "340 program O2\n"
        + cycles(350, 3, first_count=4, cycle=60)
        + "545 change ACTIVE\n570 change COMPLETE\n575 exec ACTIVE\n640 count 7"
    )
    bar = facts_of(text)["bars"].row(0, named=True)
    assert (bar["parts"], bar["used_mm"]) == (5, 164.0)


def test_two_bars_of_one_length_are_told_once():
    """STANDARD 300 is told with the first bar only, REMAINING 80 at the first end only: both hold for the second."""
    text = cycles(0, 1)
    for number, (begin, lengths) in enumerate([(102, "120 standard 300\n"), (360, "361 remaining 80\n"), (620, "")], 1):
        text += f"{begin} change ACTIVE\n{lengths}{begin + 23} change COMPLETE\n{begin + 24} change READY\n"
        text += cycles(begin + 26, 2, first_count=2 * number)
    bars = facts_of(text)["bars"]
    assert bars["loaded_basis"].to_list() == ["measured"] * 3
    assert bars["remnant_mm"].to_list() == [80, 80, None]
    # 300 - (2 x 44 + 4) - 80 = 128 mm are nowhere: more than half a pitch.
    assert bars["unaccounted_mm"].to_list() == [128, 128, None]
    assert bars["flag"].to_list() == ["unaccounted stock", "unaccounted stock", None]
