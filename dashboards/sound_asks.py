"""What the page about the data asks of the store and the figures; each question once for what the place holds."""

from datetime import UTC, datetime, timedelta
from typing import Any, Final

import data
import polars as pl
import sound_charts
import theme
from drawing import specification

from runlog.current import Derivation, derivation, facts_are_current
from runlog.figures import soundness
from runlog.figures.log_tells import last_ways, log_tells
from runlog.figures.soundness import Days
from runlog.figures.unmapped_codes import rule_effect, unexplained, unmapped_codes, unruled
from runlog.site.edit import cause_rule_edit
from runlog.status import Status, store_status
from runlog.store import Store

TAKEN: Final = 100_000
"""Rejects that can be taken away from the page."""
MOST_DAYS: Final = 364
"""The longest time that can be looked at. [d]"""


def status(here: data.Place) -> Status:
    """How the store stands now; a watcher says so without changing the store."""
    return store_status(Store(here.store), datetime.now(UTC), progress=data.kept(here, progress).lazy())


def progress(here: data.Place) -> pl.DataFrame:
    """PROGRESS, one row a file."""
    return Store(here.store).progress().collect()


def sources(here: data.Place) -> pl.DataFrame:
    """Sources as they stand now; how silent they are where the site file can be read."""
    now = datetime.now(UTC)
    return soundness.with_silence(soundness.sources(data.kept(here, progress).lazy(), now), data.site(here), now)


def current(here: data.Place) -> bool:
    """Whether facts are those of all events and of the site file."""
    return facts_are_current(data.site(here), Store(here.store))


def due(here: data.Place) -> Derivation:
    """What making all facts anew takes."""
    return derivation(data.kept(here, progress))


def days(here: data.Place, number: int) -> Days:
    """So many days up to the end of the log."""
    return soundness.last_days(data.kept(here, log_end), data.site(here), number)


def log_end(here: data.Place) -> datetime:
    """End of the log of all machines."""
    return soundness.log_end(data.facts(here))


def coverage(here: data.Place, number: int, every: str) -> pl.DataFrame:
    """Coverage by machine and day, or week."""
    return soundness.coverage(data.facts(here), data.site(here), data.kept(here, days, number), every)


def machine_coverage(here: data.Place, number: int) -> pl.DataFrame:
    """Coverage by machine, the lowest first."""
    return soundness.machine_coverage(data.kept(here, coverage, number, "1d"), data.site(here))


def gaps(here: data.Place, number: int) -> pl.DataFrame:
    """Stretches without signal, the longest first."""
    return soundness.gaps(data.kept(here, without_signal).lazy(), data.kept(here, days, number))


def without_signal(here: data.Place) -> pl.DataFrame:
    """What gaps are made of, whichever days are chosen: all spans are too many to be asked for each choice."""
    return soundness.without_signal(data.facts(here)["spans"], data.kept(here, days, MOST_DAYS)).collect()


def remarks(here: data.Place, number: int) -> pl.DataFrame:
    """What intake remarked of files."""
    return soundness.file_remarks(data.kept(here, progress).lazy(), data.kept(here, days, number))


def clock_steps(here: data.Place, number: int) -> pl.DataFrame:
    """Where clocks stepped back: the only question that reads events."""
    asked = data.kept(here, days, number)
    # The end of the log is its last event's instant.
    events = Store(here.store).events(start=asked.start, end=asked.end + timedelta(seconds=1))
    return soundness.clock_steps(events, data.kept(here, progress).lazy())


def reasons(here: data.Place) -> pl.DataFrame:
    """Rejects by reason."""
    return soundness.reject_reasons(Store(here.store).rejects())


def newest(here: data.Place, count: int) -> pl.DataFrame:
    """So many of the newest rejects."""
    return soundness.newest_rejects(Store(here.store).rejects(), count)


def unmapped(here: data.Place, number: int) -> pl.DataFrame:
    """Alarm codes without a cause, the costliest first."""
    return unmapped_codes(data.kept(here, without_rule).lazy(), data.kept(here, days, number))


def without_rule(here: data.Place) -> pl.DataFrame:
    """Alarms and stops that no rule names, whichever days are chosen: rules look at the words of each."""
    return unruled(data.facts(here), data.site(here), data.kept(here, days, MOST_DAYS)).collect()


def without_alarm(here: data.Place, number: int) -> tuple[int, float]:
    """Stops that nothing explains, and their hours."""
    return unexplained(data.facts(here), data.kept(here, days, number))


def effect(here: data.Place, code: str, cause: str) -> pl.DataFrame:
    """What a rule for a code changes."""
    edit = cause_rule_edit(here.site, [code], cause)
    return rule_effect(data.facts(here), data.site(here), edit.site)


def tells(here: data.Place, number: int) -> pl.DataFrame:
    """What the log of each machine tells."""
    carried = Store(here.store).fact("carried")
    return log_tells(data.kept(here, ways), carried, data.site(here), data.kept(here, days, number))


def ways(here: data.Place) -> pl.DataFrame:
    """By what figures were made, whichever days are chosen: parts are too many to be asked for each choice."""
    return last_ways(data.facts(here), data.kept(here, days, MOST_DAYS))


# --- drawings: making one takes longer than all the figures in it --------------------------------


def coverage_strip(
    here: data.Place, number: int, every: str, machines: tuple[str, ...], look: theme.Look
) -> dict[str, Any]:
    """The strip of coverage as a specification."""
    return specification(sound_charts.coverage_strip(data.kept(here, coverage, number, every), [*machines], look))


def reject_bars(here: data.Place, look: theme.Look) -> dict[str, Any]:
    """Bars of rejects as a specification."""
    return specification(sound_charts.reject_bars(data.kept(here, reasons), look))


def tells_matrix(here: data.Place, number: int, machines: tuple[str, ...], look: theme.Look) -> dict[str, Any]:
    """The matrix of needs of some machines as a specification."""
    rows = data.kept(here, tells, number).filter(pl.col("machine").is_in(machines))
    return specification(sound_charts.tells_matrix(rows, look))
