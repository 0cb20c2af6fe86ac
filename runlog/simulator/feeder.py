"""The bar feeder: one reload played out, from the last part of a bar to the next cycle or to the standstill."""

import numpy as np

from runlog.simulator.diary import Alarm, Reload, Stop
from runlog.simulator.hours import MINUTE, SECOND
from runlog.simulator.lathe import Lathe
from runlog.simulator.shop import ALARMS

FAULTS = ("misfeed", "bar jammed", "double feed", "remnant not ejected")
RATES = {"slow": 0.012, "retried": 0.007, "failed": 0.0035, "unclear": 0.0012}
CHRONIC_RATES = {"slow": 0.02, "retried": 0.08, "failed": 0.045, "unclear": 0.0}
EVIDENCE = {"change": "MATERIAL_CHANGE", "end of bar": "END_OF_BAR", "remaining": "REMAINING"}


def reload(lathe: Lathe) -> None:
    """Change the bar after the last part counted, whatever comes of it."""
    counted = lathe.last_count
    if lathe.magazine <= 2 and lathe.attended_at(counted, 5 * MINUTE):
        lathe.fill(counted - 20 * SECOND)
    course = _course(lathe, counted)
    lathe.rest()
    if lathe.kind.waits_active:
        lathe.say(lathe.begin, "exec", "ACTIVE")
    _end_the_bar(lathe, counted)
    asked = counted + max(lathe.between(1500, 6000), lathe.begin - counted + 700 if lathe.kind.waits_active else 0)
    lathe.say(asked, "change", "ACTIVE")
    fact = Reload(counted, lathe.job.name, lathe.planned_ms / SECOND, EVIDENCE[lathe.kind.evidence])
    lathe.diary.reloads.append(fact)
    lathe.diary.mark(counted, "reloading")
    if course in ("clean", "slow"):
        _goes_well(lathe, fact, counted + _length(lathe, course))
    elif course == "retried":
        _retried(lathe, fact, asked)
    else:
        _fails(lathe, fact, asked, course)


def _course(lathe: Lathe, at: int) -> str:
    if lathe.magazine == 0:
        return "empty"
    if lathe.is_calm(at):
        return "clean"
    chronic = lathe.chronic and lathe.job.diameter_mm == 20
    drawn = float(lathe.rng.random())
    for course, rate in (CHRONIC_RATES if chronic else RATES).items():
        drawn -= rate
        if drawn < 0:
            # Where nothing but the missing bar would tell, or the program looks as if it went on, there is a sign.
            tells = lathe.kind.evidence == "remaining" or lathe.kind.waits_active
            return "failed" if course == "unclear" and tells else course
    return "clean"


def _end_the_bar(lathe: Lathe, counted: int) -> None:
    if not lathe.end_of_bar_said:
        lathe.say(counted + lathe.lead + 600, "end_of_bar", "YES")
    bar = lathe.bar
    if bar is None:
        return
    bar.finished_at = counted
    if bar.loaded_mm is not None:
        job = lathe.job
        used = job.top_cut_mm + (_made_since(lathe, bar.loaded_at) + lathe.lost_part) * job.pitch_mm
        bar.remnant_mm = round(bar.loaded_mm - used + float(lathe.rng.uniform(-0.4, 0.4)), 1)
        lathe.say(counted + lathe.lead + 800, "length_left", bar.remnant_mm)


def _made_since(lathe: Lathe, at: int) -> int:
    made = 0
    for parts in reversed(lathe.diary.parts):
        if parts.at[-1] <= at:
            break
        made += int(np.sum(parts.at > at))
    return made


def _length(lathe: Lathe, course: str) -> int:
    planned = lathe.planned_ms
    if course == "slow":
        return int(planned * lathe.rng.uniform(1.7, 3.2))
    if not lathe.drifts:
        return int(planned * lathe.rng.uniform(0.85, 1.2))
    # Slowly longer over the weeks; never close to where slow begins.
    gone = (lathe.last_count - lathe.start) / (lathe.end - lathe.start)
    length = lathe.rng.uniform(0.8, 1.05) * (1 + 0.45 * gone)
    return int(planned * (length + 0.15 if length > 1.42 else length))


def _goes_well(lathe: Lathe, fact: Reload, end: int) -> None:
    """The new bar is in; the next cycle starts at `end`, or has been waiting for it."""
    waiting = lathe.looping or lathe.kind.waits_active
    complete = end if waiting else end - lathe.between(1800, 5000)
    lathe.say(complete, "change", "COMPLETE")
    lathe.say(complete, "end_of_bar", "NO")
    fact.end = end
    planned = lathe.planned_ms
    if fact.outcome is None:
        fact.outcome = "clean" if end - fact.start <= 1.5 * planned else "slow"
    lathe.new_bar(end, complete + 500)
    if lathe.kind.evidence == "remaining":
        lathe.say(complete, "bar_left", lathe.left)
    lathe.begin = end
    lathe.running = True
    if not waiting:
        lathe.say(end, "exec", "ACTIVE")
    lathe.diary.mark(end, "producing")


def _retried(lathe: Lathe, fact: Reload, asked: int) -> None:
    fact.outcome = "retried"
    sign = asked + int(lathe.planned_ms * lathe.rng.uniform(0.6, 1.1))
    if lathe.kind.evidence == "change" and lathe.chance(0.5):
        fact.attempts = 2
        lathe.say(sign, "change", "FAIL")
        lathe.say(sign + lathe.between(4000, 9000), "change", "ACTIVE")
    else:
        fact.alarm = _alarm(lathe, sign, FAULTS[int(lathe.rng.integers(2))])
        lathe.diary.clear_alarms(sign + lathe.between(15_000, 50_000))
    _goes_well(lathe, fact, sign + lathe.between(70_000, 200_000))


def _alarm(lathe: Lathe, at: int, cause: str) -> Alarm:
    known = ALARMS[cause]
    return lathe.diary.raise_alarm(at, known.key, known.code, known.text, cause)


def _fails(lathe: Lathe, fact: Reload, asked: int, course: str) -> None:
    counted = fact.start
    if course == "unclear":
        fact.end, fact.outcome = counted + lathe.planned_ms, "failed" if lathe.kind.notes_bars else "unclear"
        stop = lathe.stands(fact.end, "no bar or feeder fault", "state")
        give_up = max(5 * lathe.planned_ms, 300 * SECOND)
        _load_by_hand(lathe, lathe.comes_at(counted, give_up + 90 * SECOND))
        return
    sign = asked + int(lathe.planned_ms * lathe.rng.uniform(0.9, 1.5))
    fact.end, fact.outcome = sign, course
    stop = lathe.stands(sign, "magazine empty" if course == "empty" else "no bar or feeder fault", "state")
    lathe.say(sign, "change", "FAIL")
    if course == "failed" or lathe.kind.alarm_when_empty:
        cause = "magazine empty" if course == "empty" else FAULTS[int(lathe.rng.choice(4, p=[0.6, 0.2, 0.1, 0.1]))]
        _name(lathe, fact, stop, sign + lathe.between(0, 2) * 400, cause)
    lathe.say(sign + lathe.between(900, 1500), "exec", "INTERRUPTED")
    if course == "failed" and lathe.kind.evidence == "change" and lathe.chance(0.3):
        fact.attempts = 2
        lathe.say(sign + lathe.between(12_000, 18_000), "change", "ACTIVE")
        lathe.say(sign + lathe.between(50_000, 70_000), "change", "FAIL")
    _load_by_hand(lathe, lathe.comes_at(sign))


def _name(lathe: Lathe, fact: Reload, stop: Stop, at: int, cause: str) -> None:
    """The feeder's alarm names the stop; without MATERIAL_CHANGE it is the sign itself."""
    alarm = _alarm(lathe, stop.start if lathe.kind.evidence != "change" else at, cause)
    alarm.stop, alarm.first_out = stop, True
    fact.alarm = alarm
    stop.cause, stop.basis, stop.code, stop.text = cause, "alarm", alarm.code, alarm.text


def _load_by_hand(lathe: Lathe, comes: int) -> None:
    def work(at: int) -> None:
        lathe.fill(at)
        lathe.say(at, "change", "READY")
        lathe.say(at + 5 * SECOND, "change", "ACTIVE")
        done = at + lathe.between(25_000, 45_000)
        lathe.say(done, "change", "COMPLETE")
        lathe.say(done, "end_of_bar", "NO")
        lathe.new_bar(done, done + 500)
        if lathe.kind.evidence == "remaining":
            lathe.say(done, "bar_left", lathe.left)

    lathe.mend(comes, work)
    # A bar put in by hand counts from the first cycle made from it.
    if lathe.bar is not None:
        lathe.bar.loaded_at = lathe.begin
