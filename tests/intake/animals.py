"""The zoo: small awkward files, one quirk a file, its expected events beside it.

`NAME.expected.json` beside `NAME` holds the quirk in words, the `[[source]]` that reads it (lines of TOML, on top of
the site below), columns of the events and their values in order, of each reject its line and some words of its
reason, and where `inspect` cannot know as much as that source, why (`guess`).
"""

import json
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl

from runlog.intake import Reading, read_file
from runlog.site import Site, parse_site

ZOO = Path(__file__).parent / "zoo"
ANIMALS = sorted(path.name.removesuffix(".expected.json") for path in ZOO.glob("*.expected.json"))
READ_AT = datetime(2026, 12, 1, tzinfo=UTC)
SITE = """
[site]
name = "zoo"
time_zone = "Europe/Berlin"
[[machine]]
name = "T01"
[[machine]]
name = "T02"
[[source]]
name = "log"
files = ["*"]
"""


def told(name: str) -> dict[str, Any]:
    return json.loads((ZOO / f"{name}.expected.json").read_text(encoding="utf-8"))


def zoo_site(animal: dict[str, Any]) -> Site:
    own = [] if animal.get("machines") else ['machine = "T01"']
    return parse_site(SITE + "\n".join([*own, *animal["source"]]))


def read(name: str, animal: dict[str, Any]) -> Reading:
    site = zoo_site(animal)
    return read_file(ZOO / name, site.source[0], site, READ_AT)


def account_closes(reading: Reading) -> bool:
    parts = ("events", "rejects", "unchanged", "ignored")
    progress = reading.progress
    closes = progress["offered"].equals(progress.select(pl.sum_horizontal(*parts)).to_series())
    counted = (progress["events"].sum(), progress["rejects"].sum())
    return closes and counted == (reading.events.height, reading.rejects.height)
