"""What is due when: random troubles, the daily round, changeovers, the faults planted on purpose."""

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, time, timedelta
from heapq import heapify, heappop, heappush

from runlog.simulator import changeover, feeder, hours, troubles
from runlog.simulator.hours import HOUR, MINUTE, Stretch
from runlog.simulator.lathe import Lathe

ALWAYS: dict[str, float] = {
    "tool broken": 0.006,
    "tool life ended": 0.006,
    "catcher full": 0.004,
    "coolant low": 0.002,
    "drive fault": 0.0012,
    "air pressure": 0.0015,
    "swarf nest": 0.004,
}
"""Alarms that need somebody, per hour."""
SELDOM: dict[str, tuple[troubles.Trouble, float]] = {
    "minor": (troubles.minor, 0.02),
    "unexplained": (troubles.unexplained, 0.004),
    "hung": (troubles.hung, 0.0012),
    "warning": (troubles.warning, 0.01),
    "blip": (troubles.blip, 0.008),
}
BY_DAY: dict[str, tuple[troubles.Trouble, float]] = {
    "feed hold": (troubles.by_person("FEED_HOLD", "feed hold"), 0.03),
    "programmed stop": (troubles.by_person("PROGRAM_STOPPED", "programmed stop"), 0.02),
    "door": (troubles.by_person("STOPPED", "door opened"), 0.02),
    "emergency stop": (troubles.emergency_stop, 0.003),
}


@dataclass(order=True)
class Item:
    """Something due; `may_wait` items are done as soon as the machine is at work again."""

    at: int
    number: int
    name: str
    does: Callable[[Lathe], None]
    may_wait: bool = False


class Agenda:
    """Items of one machine in order of time."""

    def __init__(self) -> None:
        self._items: list[Item] = []

    def add(self, at: int, name: str, does: Callable[[Lathe], None], *, may_wait: bool = False) -> None:
        """Put something on the agenda."""
        heappush(self._items, Item(at, len(self._items), name, does, may_wait))

    def next_at(self, otherwise: int) -> int:
        """When the next item is due."""
        return self._items[0].at if self._items else otherwise

    def pop(self) -> Item:
        """Take the next item."""
        return heappop(self._items)

    def put_off(self, item: Item, at: int) -> None:
        """Later."""
        item.at = at
        heappush(self._items, item)

    def drop_within(self, calm: list[Stretch]) -> None:
        """Remove what would disturb calm stretches."""
        self._items = [one for one in self._items if one.may_wait or not any(a <= one.at < b for a, b in calm)]
        heapify(self._items)


def draw(lathe: Lathe) -> Agenda:
    """Everything random, and the daily round."""
    agenda = Agenda()
    span = (lathe.end - lathe.start) / HOUR
    kinds = {name: (troubles.alarm(name), rate) for name, rate in ALWAYS.items()} | SELDOM | BY_DAY
    for name, (does, rate) in kinds.items():
        for _ in range(int(lathe.rng.poisson(rate * span))):
            at = lathe.between(lathe.start + HOUR, lathe.end)
            if name not in BY_DAY or lathe.attended_at(at, 15 * MINUTE):
                agenda.add(at, name, does)
    day, last = hours.clock(lathe.start).date(), hours.clock(lathe.end).date()
    due = day + timedelta(days=int(lathe.rng.integers(1, 4)))
    while day < last:
        agenda.add(_clock(lathe, day, 21, 15, 35), "top up", troubles.top_up, may_wait=True)
        if lathe.chance(0.06):
            agenda.add(_clock(lathe, day, 22, 30, 80), "look in", troubles.look_in)
        if day >= due and day.weekday() < 5 and (last - day).days > 0:
            agenda.add(_clock(lathe, day, 7, 20, 600), "changeover", changeover.planned, may_wait=True)
            due = day + timedelta(days=int(lathe.rng.integers(3, 7)))
        day += timedelta(days=1)
    return agenda


def _clock(lathe: Lathe, day: date, hour: int, least: int, most: int) -> int:
    return hours.local(day, time(hour)) + lathe.between(least * MINUTE, most * MINUTE)


def plant(lathe: Lathe, agenda: Agenda, number: int) -> None:
    """Faults that must be there: the night hangs, the flood, the lost signal; nothing else disturbs them."""
    day, last = hours.clock(lathe.start).date(), hours.clock(lathe.end).date()
    nights = (last - day).days
    wanted: list[tuple[int, int, str, Callable[[Lathe], None]]] = []
    if number == 1:
        wanted = [(1, 23, "hung", troubles.hung), (nights - 1, 25, "hung", troubles.hung)]
    elif number == 2:
        wanted = [(2, 25, "flood", troubles.flood)]
    elif number == 3:
        wanted = [(3, 23, "lost", troubles.lost)]
    for night, hour, name, does in wanted:
        if night < 0 or night >= nights or (night > 1 and night == nights - 1 and name == "hung" and nights < 5):
            continue
        evening = hours.local(day + timedelta(days=night), time(19))
        lathe.calm.append((evening, evening + 11 * HOUR))
        agenda.drop_within(lathe.calm[-1:])
        agenda.add(evening + (hour - 19) * HOUR + lathe.between(0, 40 * MINUTE), name, does, may_wait=True)


def live(lathe: Lathe, agenda: Agenda) -> None:
    """Play the machine out from its first event to its last."""
    lathe.open()
    while lathe.begin < lathe.end:
        due = min(agenda.next_at(lathe.end), lathe.end)
        lathe.produce(due)
        if lathe.order_done():
            changeover.order_complete(lathe)
        elif lathe.left == 0:
            feeder.reload(lathe)
        elif due < lathe.end:
            _turn_to(lathe, agenda)
        else:
            break
    lathe.close()


def _turn_to(lathe: Lathe, agenda: Agenda) -> None:
    item = agenda.pop()
    if item.at < lathe.resumed and not item.may_wait:
        return
    needs_room = item.name != "top up" and (lathe.left < 4 or lathe.rest_ms is not None or _order_near(lathe))
    if needs_room:
        agenda.put_off(item, lathe.begin + 2 * lathe.cycle_ms)
    elif item.name == "top up":
        if 20 <= hours.clock(lathe.begin).hour < 22:
            item.does(lathe)
    elif item.name == "changeover":
        _change_over(lathe, agenda, item)
    else:
        item.does(lathe)


def _order_near(lathe: Lathe) -> bool:
    return lathe.order_left is not None and lathe.order_left < 4


def _change_over(lathe: Lathe, agenda: Agenda, item: Item) -> None:
    if lathe.begin > lathe.end - 6 * HOUR:
        return
    if lathe.attended_at(lathe.begin, 3 * HOUR):
        item.does(lathe)
        return
    day = hours.clock(lathe.begin).date() + timedelta(days=1)
    while day.weekday() >= 5:
        day += timedelta(days=1)
    agenda.put_off(item, _clock(lathe, day, 7, 20, 300))
