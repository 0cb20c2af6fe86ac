"""What goes wrong, and what is done on purpose, outside the bar change: one function a kind of trouble.

Each takes the lathe between two parts and leaves it at work again.
"""

from collections.abc import Callable

import numpy as np

from runlog.simulator.diary import Stop
from runlog.simulator.hours import HOUR, MINUTE, SECOND
from runlog.simulator.lathe import Lathe
from runlog.simulator.shop import ALARMS, CONSEQUENCES, WARNINGS

Trouble = Callable[[Lathe], None]


def _alarmed_stop(lathe: Lathe, at: int, cause: str) -> Stop:
    """The machine is interrupted; its alarm comes a moment before or after."""
    lathe.say(at, "exec", "INTERRUPTED")
    stop = lathe.stands(at, cause, "alarm")
    known = ALARMS[cause]
    offset = -300 if lathe.chance(0.5) else lathe.between(200, 2500)
    alarm = lathe.diary.raise_alarm(at + offset, known.key, known.code, known.text, cause)
    alarm.stop, alarm.first_out = stop, True
    stop.code, stop.text = known.code, known.text
    return stop


def _consequence(lathe: Lathe, stop: Stop, at: int, number: int) -> None:
    known = CONSEQUENCES[number]
    alarm = lathe.diary.raise_alarm(at, known.key, known.code, known.text, known.cause)
    alarm.stop = stop
    stop.consequences.append(known.code)


def alarm(cause: str) -> Trouble:
    """A fault that waits for somebody."""

    def happens(lathe: Lathe) -> None:
        cut = lathe.cut_short(lathe.rng.uniform(0.2, 0.8))
        stop = _alarmed_stop(lathe, cut, cause)
        if lathe.chance(0.3):
            _consequence(lathe, stop, cut + lathe.between(4000, 9000), int(lathe.rng.integers(3)))
        comes = lathe.comes_at(cut)
        if lathe.attended_at(cut) and lathe.chance(0.04):
            comes = _pressed_while_mending(lathe, cut)
        lathe.mend(comes)

    return happens


def _pressed_while_mending(lathe: Lathe, since: int) -> int:
    """Emergency stop pressed in a stop: a new stop begins there, long after the alarm of the first."""
    at = since + max(120 * SECOND, lathe.cycle_ms) + lathe.between(60_000, 180_000)
    lathe.see(at - 40 * SECOND, "door", "OPEN")
    lathe.say(at - 10 * SECOND, "door", "CLOSED")
    lathe.say(at, "estop", "TRIGGERED")
    lathe.stands(at, "emergency stop", "state")
    lathe.say(at + 40 * SECOND, "estop", "ARMED")
    return at + lathe.between(60_000, 120_000)


def flood(lathe: Lathe) -> None:
    """One first-out and sixteen alarms that only follow from it."""
    cut = lathe.cut_short(0.5)
    stop = _alarmed_stop(lathe, cut, "tool broken")
    at = cut + 3000
    for number in range(16):
        at += lathe.between(200, 20_000)
        _consequence(lathe, stop, at, number)
    _plant(lathe, "alarm flood", cut, "tool broken comes first, sixteen alarms follow from it")
    lathe.mend(lathe.comes_at(cut, 8 * MINUTE))


def minor(lathe: Lathe) -> None:
    """Stops and goes on alone."""
    cut = lathe.cut_short(lathe.rng.uniform(0.2, 0.8))
    goes_on = cut + lathe.between(20_000, 220_000)
    if lathe.chance(0.7):
        cause = ("air pressure", "coolant low", "catcher full")[int(lathe.rng.integers(3))]
        _alarmed_stop(lathe, cut, cause)
        lathe.diary.clear_alarms(goes_on - 3 * SECOND)
    else:
        lathe.say(cut, "exec", "INTERRUPTED")
        lathe.stands(cut, "unexplained", "none")
    lathe.resume(goes_on)


def unexplained(lathe: Lathe) -> None:
    """Does not start the next cycle, and nothing says why."""
    lathe.produce(lathe.begin + 2 * lathe.cycle_ms, 1)
    if lathe.left == 0 or lathe.order_done():
        return
    lathe.rest("READY")
    lathe.stands(lathe.rest_at, "unexplained", "none")
    lathe.mend(lathe.comes_at(lathe.last_count))


def by_person(word: str, cause: str) -> Trouble:
    """Somebody or the program holds the machine for a while."""

    def happens(lathe: Lathe) -> None:
        cut = lathe.cut_short(lathe.rng.uniform(0.2, 0.8))
        lathe.say(cut, "exec", word)
        lathe.stands(cut, cause, "state")
        long = lathe.chance(0.4)
        goes_on = cut + (lathe.between(330_000, 900_000) if long else lathe.between(20_000, 240_000))
        if cause == "door opened":
            lathe.see(cut + 2 * SECOND, "door", "OPEN")
            lathe.say(goes_on - 8 * SECOND, "door", "CLOSED")
        lathe.resume(goes_on)

    return happens


def emergency_stop(lathe: Lathe) -> None:
    """Somebody presses the button."""
    cut = lathe.cut_short(lathe.rng.uniform(0.2, 0.8))
    lathe.say(cut, "estop", "TRIGGERED")
    lathe.say(cut + 200, "exec", "STOPPED")
    lathe.stands(cut, "emergency stop", "state")
    comes = lathe.comes_at(cut)
    lathe.say(comes - 30 * SECOND, "estop", "ARMED")
    lathe.mend(comes)


def hung(lathe: Lathe) -> None:
    """ACTIVE with no part: stopped from one standard cycle on."""
    since = lathe.begin
    lathe.cut_short(0.5, spindle_until=30_000)
    stands_from = since + lathe.cycle_ms
    lathe.stands(stands_from, "hung in cycle", "state")
    noticed = since + max(3 * lathe.cycle_ms, 300 * SECOND) + 2 * MINUTE
    comes = lathe.comes_at(noticed)
    if comes - since > HOUR:
        _plant(lathe, "hung in cycle", stands_from, "ACTIVE, but no part until somebody came")
    lathe.mend(comes)


def warning(lathe: Lathe) -> None:
    """A warning that stops nothing and clears by itself; comes up while a cycle runs."""
    known = WARNINGS[int(lathe.rng.integers(2))]
    at = lathe.begin + 20 * SECOND
    lathe.produce(lathe.begin + 2 * lathe.cycle_ms, 1)
    raised = lathe.diary.raise_alarm(at, known.key, known.code, known.text, known.cause, "WARNING")
    lathe.diary.clear_alarms(raised.start + lathe.between(10_000, 25_000))


def blip(lathe: Lathe) -> None:
    """The signal is gone for some seconds in the midst of a cycle."""
    lathe.rest()
    begin = lathe.begin
    if not lathe.running:
        lathe.say(begin, "exec", "ACTIVE")
        lathe.running = True
    gone, back = begin + lathe.between(5000, 8000), begin + lathe.between(14_000, 28_000)
    whole = lathe.rest_ms or lathe.cycle_ms - 5000
    if whole < 60 * SECOND:
        return
    # The spindle runs from the start of this cycle; the blackout takes its value away and gives it back.
    if "s1" in lathe.keys:
        lathe.diary.last["s1"] = lathe.speed("main")
        lathe.diary.last["load1"] = lathe.cutting_load
    lathe.black_out(gone, back)
    lathe.diary.mark(gone, "no signal")
    lathe.diary.mark(back, "producing")
    lathe.produce(begin + 2 * lathe.cycle_ms, 1)


def lost(lathe: Lathe) -> None:
    """No signal for hours; parts go on being made, and the counter skips when it is heard again."""
    lathe.rest()
    begin = lathe.begin
    if not lathe.running:
        lathe.say(begin, "exec", "ACTIVE")
        lathe.running = True
    gone = begin + 11 * SECOND
    back = gone + lathe.between(3 * HOUR, 4 * HOUR)
    lathe.black_out(gone, back, keep=("parts",))
    lathe.diary.mark(gone, "no signal")
    lathe.diary.mark(back, "producing")
    counted = back + lathe.between(20_000, 50_000)
    made = int((back - gone) / lathe.cycle_ms * 0.96) + 1
    # A whole number of milliseconds a part, so that the spread instants are exact.
    counted = begin + made * -(-(counted - begin) // made)
    # What the rules can know: spread over the time it ran or could not be heard, since the last count.
    spread = begin + np.arange(1, made + 1) / made * (counted - begin)
    unseen = (spread >= gone) & (spread < back)
    lathe.left = max(4, lathe.left - made % 17) if lathe.left < 8 else lathe.left
    lathe.magazine = max(2, lathe.magazine - made // 40)
    lathe.count(spread, unseen)
    if lathe.bar is not None:
        lathe.bar.end_unknown = True
    lathe.begin, lathe.running, lathe.pending, lathe.rest_ms = counted + 3000, False, True, None
    if lathe.looping:
        lathe.begin, lathe.running, lathe.pending = counted, True, False
    _plant(lathe, "lost signal", gone, f"no signal for hours; {made} parts come as one skip of the counter")


def look_in(lathe: Lathe) -> None:
    """Somebody looks in on a running machine and logs on for a moment."""
    if "operator" not in lathe.keys:
        return
    at = lathe.begin + 15 * SECOND
    lathe.produce(lathe.begin + 2 * lathe.cycle_ms, 1)
    lathe.see(at, "operator", "17")
    lathe.see(at + lathe.between(8000, 30_000), "operator", "0")


def top_up(lathe: Lathe) -> None:
    """The late shift fills the magazine before it goes."""
    lathe.fill(lathe.begin + 5 * SECOND)
    if lathe.order_left is not None and lathe.order_left < 600 and lathe.is_calm(lathe.begin + 3 * HOUR):
        lathe.order_left += 600
        lathe.say(lathe.begin + 6 * SECOND, "order_left", lathe.order_left)


def _plant(lathe: Lathe, fault: str, at: int, words: str) -> None:
    lathe.diary.planted.append({"fault": fault, "machine": lathe.diary.machine, "at": at, "what": words})
