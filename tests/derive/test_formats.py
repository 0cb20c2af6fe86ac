"""The simulator's logs, written to files in each format and read back, give the truth to the microsecond."""

from datetime import UTC, date, datetime

import polars as pl
import pytest
from derive.agreement import differences

from runlog.derive import derive
from runlog.distinct import distinct
from runlog.intake import read_file, source_for
from runlog.simulator import simulate
from runlog.site import load_site

FORMATS = ("csv long", "csv wide", "adapter lines", "mtconnect streams")
READ_AT = datetime(2026, 11, 25, 6, tzinfo=UTC)
DAYS_WITH_THE_REPEATED_HOUR = date(2026, 10, 23)


@pytest.mark.slow
@pytest.mark.parametrize("written_as", FORMATS)
@pytest.mark.parametrize("seed", range(1, 21))
def test_files_of_every_format_give_the_truth(seed, written_as, tmp_path):
    start = DAYS_WITH_THE_REPEATED_HOUR
    folder = simulate(tmp_path, start=start, weeks=1, days=3, seed=seed, machines=6, formats=(written_as,))
    site = load_site(folder / "site.toml")
    paths = sorted(path for path in (folder / "logs").rglob("*") if path.is_file())
    readings = [read_file(path, source_for(path, site), site, READ_AT, base=folder) for path in paths]
    assert sum(reading.rejects.height for reading in readings) == 0
    events = distinct(pl.concat([reading.events for reading in readings]).lazy())
    facts = derive(events, site)
    found = []
    for true in sorted((folder / "truth").glob("*.parquet")):
        name = true.stem
        found += differences(pl.read_parquet(true), facts[name].collect(), name)
    assert found == []
