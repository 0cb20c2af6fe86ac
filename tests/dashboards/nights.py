"""A small shop's night written out by rule, so that every number on the page can be worked out by hand.

Night of Mon 23 Nov 2026, 22:00 to 06:00 in Berlin (UTC+1), log read to 06:12. All three machines run the same job:
cycle 75 s, 24 parts a bar, planned bar change 40 s.

T01 changes two bars cleanly, the third change fails at once: a misfeed, and it stands until the log ends.
T02 runs through.
T03 logs nothing.
"""

from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import polars as pl

from runlog.derive import derive
from runlog.schema import EVENTS, PROGRESS, REJECTS
from runlog.site import Site, parse_site, starter
from runlog.store import Store

TEN_AT_NIGHT = datetime(2026, 11, 23, 21, tzinfo=UTC)
LOG_END = datetime(2026, 11, 24, 5, 12, tzinfo=UTC)
ALARM = "<b>bar</b> not picked *up*"
"""Words with markup in them: they must arrive as they are."""

CYCLE_S, PAUSE_S, CHANGE_S, PARTS_PER_BAR = 75, 3, 38, 24

_MACHINE = """
[[machine]]
name = "{name}"
feeder = {{ bars_held = 20, longest_bar_mm = 1250, minimum_remnant_mm = 90, planned_reload_s = 40 }}
"""


def site_text(*more: str) -> str:
    """The starter site file with further machines."""
    return starter() + "".join(_MACHINE.format(name=name) for name in more)


def site(*more: str) -> Site:
    """The same, checked."""
    return parse_site(site_text(*more))


class Log:
    """Writes the log of one machine, second by second."""

    def __init__(self, machine: str, start: datetime) -> None:
        self.machine, self.now, self.count, self.rows = machine, start, 0, list[dict[str, Any]]()
        for item, text, sub, component in (
            ("AVAILABILITY", "AVAILABLE", "", "path"),
            ("EXECUTION", "READY", "", "path"),
            ("CONTROLLER_MODE", "AUTOMATIC", "", "path"),
            ("PROGRAM", "O4711", "", "path"),
            ("PART_COUNT", "0", "ALL", "path"),
            ("END_OF_BAR", "NO", "PRIMARY", "feeder"),
            ("MATERIAL_CHANGE", "READY", "RESPONSE", "feeder"),
        ):
            self.say(item, text, sub, component)

    def say(self, item: str, text: str, sub: str = "", component: str = "path", **more: Any) -> None:
        """One observation, now."""
        row = {"machine": self.machine, "at": self.now, "item": item, "text": text, "sub_type": sub}
        self.rows.append(row | {"component": component, "data_item": item + sub + component} | more)

    def wait(self, seconds: float) -> None:
        """Let time pass."""
        self.now += timedelta(seconds=seconds)

    def parts(self, number: int, until: datetime) -> None:
        """Cycles until so many parts are made, or the time is up."""
        for _ in range(number):
            if self.now >= until:
                return
            self.say("EXECUTION", "ACTIVE")
            self.wait(CYCLE_S)
            self.count += 1
            self.say("PART_COUNT", str(self.count), "ALL")
            self.say("EXECUTION", "READY")
            self.wait(PAUSE_S)

    def change(self) -> None:
        """A bar change that works."""
        self.say("END_OF_BAR", "YES", "PRIMARY", "feeder")
        self.say("MATERIAL_CHANGE", "ACTIVE", "RESPONSE", "feeder")
        self.wait(CHANGE_S)
        self.say("MATERIAL_CHANGE", "COMPLETE", "RESPONSE", "feeder")
        self.say("END_OF_BAR", "NO", "PRIMARY", "feeder")

    def misfeed(self) -> None:
        """A bar change that does not."""
        self.say("END_OF_BAR", "YES", "PRIMARY", "feeder")
        self.say("MATERIAL_CHANGE", "ACTIVE", "RESPONSE", "feeder")
        self.wait(30)
        self.say("MATERIAL_CHANGE", "FAIL", "RESPONSE", "feeder")
        fault = {"code": "2101", "level": "FAULT", "message": ALARM, "type": "SYSTEM", "condition_id": "2101"}
        self.say("CONDITION", "FAULT", "", "feeder", **fault)
        self.say("EXECUTION", "INTERRUPTED")

    def parts_between(self, start: datetime, end: datetime) -> int:
        """Parts counted in [start, end): the truth to compare with."""
        at = [row["at"] for row in self.rows if row["item"] == "PART_COUNT" and row["text"] != "0"]
        return sum(start <= one < end for one in at)


def logs(start: datetime = TEN_AT_NIGHT, end: datetime = LOG_END) -> list[Log]:
    """The logs of T01 and T02 around a night that starts then."""
    broken, whole = (Log(name, start - timedelta(minutes=2)) for name in ("T01", "T02"))
    for _ in range(2):
        broken.parts(PARTS_PER_BAR, end)
        broken.change()
    broken.parts(PARTS_PER_BAR, end)
    broken.misfeed()
    while whole.now < end:
        whole.parts(PARTS_PER_BAR, end)
        whole.change()
    broken.now = whole.now
    broken.say("COOLANT", "1")
    return [broken, whole]


def events(written: list[Log]) -> pl.LazyFrame:
    """EVENTS of some logs."""
    frame = pl.DataFrame([row for log in written for row in log.rows], infer_schema_length=None)
    return EVENTS.conform(
        frame.lazy().with_columns(
            stamped="at",
            number=pl.col("text").cast(pl.Float64, strict=False),
            discrete=pl.lit(False),
            head=pl.lit(False),
            nth=pl.lit(0),
            source=pl.lit("log"),
            file=pl.lit("file"),
            body_start=pl.col("at").min(),
            line=pl.int_range(pl.len()),
            cell=pl.lit(0),
        )
    )


def facts(shop: Site, written: list[Log] | None = None) -> dict[str, pl.LazyFrame]:
    """Facts of the night, straight from its events."""
    found = derive(events(written or logs()), shop)
    return {name: frame.collect().lazy() for name, frame in found.items()}


def stored(
    folder: Path, written: list[Log] | None = None, more: tuple[str, ...] = ("T02", "T03"), text: str | None = None
) -> tuple[Path, Path]:
    """The night in a store on disk; gives the store's folder and the site file, with further machines or as given."""
    file = folder / "site.toml"
    file.write_text(text or site_text(*more), encoding="utf-8")
    rows = events(written or logs()).collect()
    read = {"source": "log", "machine": "", "file": "file", "path": "file", "format": "csv", "begins": 0, "offset": 1}
    read |= {"prefix": "file", "events": len(rows)}
    progress = pl.concat([PROGRESS.empty().collect(), pl.DataFrame([read])], how="diagonal_relaxed")
    reading = SimpleNamespace(
        events=rows,
        rejects=REJECTS.empty().collect(),
        progress=PROGRESS.conform(progress.lazy()).collect(),
        carry=None,
    )
    store = Store(folder / "store")
    store.append([reading])
    store.replace_facts(derive(store.events(), parse_site(file.read_text(encoding="utf-8"))))
    return folder / "store", file
