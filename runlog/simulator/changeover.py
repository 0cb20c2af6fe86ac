"""From one job to the next: somebody comes, loads the new bar by hand, tries a few parts, lets it run."""

from runlog.simulator.diary import Changeover, Reload
from runlog.simulator.feeder import EVIDENCE
from runlog.simulator.hours import HOUR, MINUTE, SECOND
from runlog.simulator.lathe import Lathe
from runlog.simulator.shop import JOBS, Job


def next_job(lathe: Lathe) -> Job | None:
    """The job after this one; None where the machine knows only one."""
    names = [name for name in lathe.kind.jobs if lathe.may_order or JOBS[name].order_quantity is None]
    done = {name for name in names if JOBS[name].order_quantity is not None and name in lathe.ordered}
    names = [name for name in names if name not in done or name == lathe.job.name]
    if len(names) < 2:
        return None
    return JOBS[names[(names.index(lathe.job.name) + 1) % len(names)]]


def planned(lathe: Lathe) -> None:
    """Change over by day, once the part in work is done."""
    if next_job(lathe) is None or lathe.still_ordered() < 10**6:
        return
    lathe.force_good = True
    lathe.produce(lathe.begin + 2 * lathe.cycle_ms, 1)
    lathe.force_good = False
    if lathe.kind.style == "completed":
        # Somebody is standing there and opens the door as soon as the part is out.
        lathe.rest()
        lathe.stands(lathe.rest_at, "door opened", "state")
        change(lathe, lathe.rest_at + lathe.between(2000, 4000))
        return
    lathe.rest("OPTIONAL_STOP")
    lathe.stands(lathe.rest_at, "programmed stop", "state")
    wait = lathe.between(60_000, 240_000) if lathe.chance(0.5) else lathe.between(330_000, 1_300_000)
    change(lathe, lathe.rest_at + wait)


def order_complete(lathe: Lathe) -> None:
    """The order is done: the machine stands until somebody changes it over."""
    lathe.rest("READY")
    lathe.stands(lathe.rest_at, "count reached", "state")
    change(lathe, lathe.comes_at(lathe.last_count))


def change(lathe: Lathe, comes: int) -> None:
    """Set the next job from the moment somebody comes."""
    old, new = lathe.job, next_job(lathe) or lathe.job
    last_part = lathe.last_count
    lathe.running = lathe.pending = False
    lathe.diary.mark(comes, "setting")
    lathe.see(comes, "door", "OPEN")
    lathe.see(comes + 8 * SECOND, "mode", "MANUAL")
    if lathe.diary.last.get("exec") != "READY":
        lathe.say(comes + 20 * SECOND, "exec", "READY")
    lathe.job = new
    lathe.rest_ms = None
    lathe.diary.jobs.append((comes, new.name))
    told = comes + lathe.between(90_000, 200_000)
    lathe.say(told, "program", new.program)
    lathe.diary.programs.append((told, new.program))
    at = _hand_load(lathe, comes + lathe.between(8 * MINUTE, 25 * MINUTE))
    lathe.note_setup(at + 25 * SECOND)
    at = _try_parts(lathe, at + lathe.between(4 * MINUTE, 15 * MINUTE))
    if lathe.order_left is not None:
        lathe.order_left = int(lathe.rng.integers(700, 2200))
        lathe.say(at, "order_left", lathe.order_left)
    end = _first_good_parts(lathe, at + lathe.between(2 * MINUTE, 6 * MINUTE))
    lathe.diary.changeovers.append(Changeover(old.name, new.name, last_part, comes, end))


def _hand_load(lathe: Lathe, at: int) -> int:
    """The old bar is taken out, the new one put in; returns when that is done."""
    done = at + int(lathe.planned_ms * lathe.rng.uniform(0.5, 1.3))
    fact = Reload(at, lathe.job.name, lathe.planned_ms / SECOND, EVIDENCE[lathe.kind.evidence], done, "clean")
    fact.hand_load = True
    lathe.diary.reloads.append(fact)
    if lathe.bar is not None:
        lathe.bar.finished_at, lathe.bar.end_unknown = at, True
    lathe.say(at, "change", "ACTIVE")
    lathe.say(done, "change", "COMPLETE")
    if lathe.kind.evidence == "end of bar":
        lathe.say(at, "end_of_bar", "YES")
        lathe.say(done, "end_of_bar", "NO")
    lathe.diary.mark(at, "reloading")
    lathe.diary.mark(done, "setting")
    lathe.new_bar(done, done + 500)
    return done


def _try_parts(lathe: Lathe, at: int) -> int:
    """A few parts one by one, the door opened after each; returns when the last was looked at."""
    lathe.setting = True
    for _ in range(int(lathe.rng.integers(1, 4))):
        lathe.say(at - 10 * SECOND, "door", "CLOSED")
        lathe.see(at - 5 * SECOND, "mode", "AUTOMATIC")
        lathe.begin = at
        lathe.produce(at + HOUR, 1)
        lathe.rest("READY")
        opened = lathe.rest_at + lathe.between(3000, 8000)
        lathe.see(opened, "door", "OPEN")
        lathe.see(opened + 5 * SECOND, "mode", "MANUAL")
        at = opened + lathe.between(3 * MINUTE, 9 * MINUTE)
    lathe.setting = False
    return at


def _first_good_parts(lathe: Lathe, at: int) -> int:
    """The door closes and the job runs: set from the first part that another follows undisturbed."""
    lathe.say(at - 10 * SECOND, "door", "CLOSED")
    lathe.see(at - 5 * SECOND, "mode", "AUTOMATIC")
    lathe.begin = at
    lathe.force_good = True
    lathe.produce(at + HOUR, 1)
    end = lathe.last_count
    lathe.produce(end + HOUR, 1)
    lathe.force_good = False
    lathe.diary.mark(end, "producing")
    lathe.resumed = end
    return end
