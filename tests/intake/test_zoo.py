"""Every file of the zoo gives the events beside it."""

import polars as pl
import pytest
from intake.animals import ANIMALS, account_closes, read, told


@pytest.mark.parametrize("name", ANIMALS)
def test_each_gives_the_events_beside_it(name: str):
    animal = told(name)
    reading = read(name, animal)
    events = reading.events.sort("file", "line", "cell") if animal.get("by_line") else reading.events
    shown = events.with_columns(pl.col("at", "stamped").dt.strftime("%FT%T%.fZ"))
    assert [list(row) for row in shown.select(animal["columns"]).rows()] == animal["events"]
    rejects = reading.rejects.sort("line", "cell").select("line", "reason").rows()
    assert [line for line, _ in rejects] == [line for line, _ in animal["rejects"]], rejects
    for (_, reason), (_, words) in zip(rejects, animal["rejects"], strict=True):
        assert words in reason
    assert account_closes(reading)
    assert animal.get("note", "") in "; ".join(reading.progress["note"])
    if "ignored" in animal:
        assert reading.progress["ignored"].sum() == animal["ignored"]
