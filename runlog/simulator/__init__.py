"""Invents a shop's logs together with the truth behind them; see `simulate_frames` and `simulate`.

    events, truth, site = simulate_frames(start=date(2026, 8, 10), weeks=1, seed=7, machines=6)
    truth["reloads"]      # what really happened, by the simulator's own arithmetic

The truth never comes from the code it is there to check: nothing of derive, figures, plan, intake or
store is used here.
"""

from datetime import date, time, timedelta

import numpy as np
import polars as pl

from runlog.simulator import hours, tables
from runlog.simulator.agenda import draw, live, plant
from runlog.simulator.diary import Diary
from runlog.simulator.hours import SECOND
from runlog.simulator.lathe import Lathe
from runlog.simulator.shop import FORMATS, machine_names, profile
from runlog.simulator.sitefile import site_toml

DEFAULT_START = date(2026, 8, 10)


def simulate_frames(
    *,
    start: date = DEFAULT_START,
    weeks: float = 1,
    seed: int = 1,
    machines: int = 6,
    days: int | None = None,
) -> tuple[pl.DataFrame, dict[str, pl.DataFrame], str]:
    """Invent a shop without touching the disk.

    Parameters
    ----------
    start : date
        Local date; logs begin at 06:00, and end about 07:00 of the last day.
    weeks, days : float, int or None
        How long; `days` wins.
    seed : int
        The same seed gives the same shop.
    machines : int
        How many.

    Returns
    -------
    events : polars.DataFrame
        In the columns of `schema.EVENTS`.
    truth : dict of str to polars.DataFrame
        One frame a table of `schema.FACT_TABLES`.
    site : str
        The site file.
    """
    lathes = play(start, weeks, seed, machines, days)
    return tables.events(lathes), tables.truth(lathes), site_toml(machines, FORMATS)


def play(start: date, weeks: float, seed: int, machines: int, days: int | None) -> list[Lathe]:
    """Play every machine out; each draws from its own stream, so one more machine changes no other."""
    length = days if days is not None else round(weeks * 7)
    begin, end = hours.local(start, time(6)), hours.local(start + timedelta(days=length), time(7))
    planned = hours.shifts(start - timedelta(days=1), start + timedelta(days=length))
    attended = hours.joined([(shift.start, shift.end) for shift in planned if shift.attended])
    lathes: list[Lathe] = []
    for number, name in enumerate(machine_names(machines)):
        lathe = Lathe(
            profile(number),
            Diary(name),
            np.random.default_rng([seed, number]),
            begin + number * 7 * SECOND,
            end,
            attended,
            chronic=number == 0,
            drifts=number == 3,
            may_order=number < 6,
        )
        agenda = draw(lathe)
        plant(lathe, agenda, number)
        live(lathe, agenda)
        lathe.diary.notes = [note for note in lathe.diary.notes if note[0] <= end]
        lathes.append(lathe)
    return lathes
