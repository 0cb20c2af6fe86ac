"""Invents a shop's logs together with the truth behind them; see `simulate_frames` and `simulate`.

    events, truth, site = simulate_frames(start=date(2026, 8, 10), weeks=1, seed=7, machines=6)
    truth["reloads"]      # what really happened, by the simulator's own arithmetic

The truth never comes from the code it is there to check: nothing of derive, figures, plan, intake or
store is used here.
"""

import json
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, time, timedelta
from pathlib import Path

import numpy as np
import polars as pl

from runlog.simulator import hours, noisy, tables, write
from runlog.simulator.agenda import draw, live, plant
from runlog.simulator.diary import Diary
from runlog.simulator.hours import HOUR, SECOND
from runlog.simulator.lathe import Lathe
from runlog.simulator.shop import FORMATS, PROFILES, format_of, machine_names, profile
from runlog.simulator.sitefile import site_toml

DEFAULT_START = date(2026, 8, 10)
SEVEN = time(7)
_SAMPLE_START = date(2026, 10, 12)
_SAMPLE_SEED = 10


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


def simulate(
    to: Path,
    *,
    start: date = DEFAULT_START,
    weeks: float,
    seed: int,
    machines: int = 6,
    noise: float = 0.0,
    formats: Sequence[str] = FORMATS,
    gzip: bool = False,
    days: int | None = None,
    ends: time = SEVEN,
    progress: Callable[[float], None] | None = None,
) -> Path:
    """Invent a shop and write its logs, its site file and the truth.

    Parameters
    ----------
    to : Path
        Folder: `site.toml`, `logs/` (a file a machine and day, beyond three weeks a machine and week; the
        setup notes of all), `truth/<table>.parquet`, `truth/planted.json`. Made if missing.
    start, weeks, seed, machines, days
        As in `simulate_frames`.
    noise : float
        0 none, 1 about as bad as real logs; touches the logs only, never the truth.
    formats : sequence of str
        Out of `FORMATS`; the machines take turns.
    gzip : bool
        Pack the logs.
    ends : time
        Local time at which the logs end on the last day.
    progress : callable, optional
        Told the share done, 0 to 1, a few times.

    Returns
    -------
    Path
        `to`.
    """
    told = progress or (lambda _: None)
    logs, facts = to / "logs", to / "truth"
    logs.mkdir(parents=True, exist_ok=True)
    facts.mkdir(exist_ok=True)
    (to / "site.toml").write_text(site_toml(machines, formats, clocks_differ=noise > 0), encoding="utf-8")
    lathes = play(start, weeks, seed, machines, days, ends)
    told(0.15)
    _write_logs(logs, lathes, start, Style(formats, noise, seed, formats if gzip else ()), told)
    for name, frame in tables.truth(lathes).items():
        frame.write_parquet(facts / f"{name}.parquet")
    planted = [fault | {"at": hours.clock(fault["at"]).isoformat()} for one in lathes for fault in one.diary.planted]
    (facts / "planted.json").write_text(json.dumps(_always(lathes) + planted, indent=1), encoding="utf-8")
    told(1.0)
    return to


@dataclass(frozen=True)
class Style:
    """How logs are written; files of the `packed` formats are gzipped."""

    formats: Sequence[str]
    noise: float
    seed: int
    packed: Sequence[str]


def _write_logs(folder: Path, lathes: list[Lathe], start: date, style: Style, told: Callable[[float], None]) -> None:
    days_a_file = 1 if lathes[0].end - lathes[0].start < 22 * 24 * HOUR else 7
    for number, lathe in enumerate(lathes):
        form = format_of(number, style.formats)
        rows = tables.log(lathe.diary)
        rng = np.random.default_rng([style.seed, 1000 + number])
        if style.noise > 0:
            rows = noisy.with_resets(rows, rng, style.noise)
        for sheet in write.sheets(lathe.diary.machine, rows, start, days_a_file):
            if style.noise > 0:
                sheet = replace(sheet, rows=noisy.spoilt(sheet.rows, rng, style.noise))
            content = write.text_of(sheet, form)
            if style.noise > 0:
                content = noisy.garbled(content, rng, style.noise, form)
            write.put(folder, write.name_of(sheet, form), content, packed=form in style.packed)
        told(0.15 + 0.75 * (number + 1) / len(lathes))
    notes = [(at, one.diary.machine, item, value) for one in lathes for at, item, value in one.diary.notes]
    write.put(folder, "setup-notes.csv", write.notes_text(notes), packed=False)


def sample_logs(to: Path) -> Path:
    """Write the sample logs: two weeks of the shop in every format, always the same, without the truth.

    They hold the night in which the clocks go back, a cycle that hangs for hours, an alarm flood, a night
    without signal, and the machine that runs out of bars.

    Parameters
    ----------
    to : Path
        Folder for `site.toml` and `logs/`.

    Returns
    -------
    Path
        `to`.
    """
    logs = to / "logs"
    logs.mkdir(parents=True, exist_ok=True)
    (to / "site.toml").write_text(site_toml(6), encoding="utf-8")
    lathes = play(_SAMPLE_START, 2, _SAMPLE_SEED, 6, None)
    packed = ("csv long", "mtconnect streams")
    _write_logs(logs, lathes, _SAMPLE_START, Style(FORMATS, 0, _SAMPLE_SEED, packed), lambda _: None)
    return to


def _always(lathes: list[Lathe]) -> list[dict[str, object]]:
    """Faults that are there throughout."""
    found: list[dict[str, object]] = []
    for number, lathe in enumerate(lathes):
        machine = lathe.diary.machine
        if lathe.chronic:
            found.append({"fault": "chronic misfeeds", "machine": machine, "what": "on bars of 20 mm (pin 2208)"})
        if lathe.drifts:
            found.append({"fault": "slow drift", "machine": machine, "what": "reloads take longer week by week"})
        if number % len(PROFILES) == 5:
            found.append({"fault": "out of bars", "machine": machine, "what": "the magazine holds too few for a night"})
    return found


def play(start: date, weeks: float, seed: int, machines: int, days: int | None, ends: time = SEVEN) -> list[Lathe]:
    """Play every machine out; each draws from its own stream, so one more machine changes no other."""
    length = days if days is not None else round(weeks * 7)
    begin, end = hours.local(start, time(6)), hours.local(start + timedelta(days=length), ends)
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
