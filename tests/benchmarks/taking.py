"""Files into a store as `runlog ingest` takes them, facts left out; and how much memory that needs.

    python tests/benchmarks/taking.py FORM PATH STORE

takes one file and prints seconds and the most memory it ever held, as JSON.
"""

import json
import shutil
import subprocess
import sys
import time
from pathlib import Path
from typing import NamedTuple
from unittest import mock

from runlog import pipeline
from runlog.pipeline import IngestReport
from runlog.simulator.sitefile import site_toml
from runlog.site import Site, parse_site
from runlog.store import Store


class Taken(NamedTuple):
    """What it took: seconds, and the most memory at a time. [s], [MiB]"""

    seconds: float
    mib: float
    events: int


def take(paths: list[Path], site: Site, store: Path) -> IngestReport:
    """Choose, read, and commit; no facts."""
    with mock.patch.object(pipeline, "rederive"):
        return pipeline.ingest(paths, site, Store(store), base=paths[0].parent)


def take_anew(paths: list[Path], site: Site, store: Path) -> IngestReport:
    """The same into an empty store."""
    shutil.rmtree(store, ignore_errors=True)
    return take(paths, site, store)


def measured(form: str, path: Path, store: Path) -> Taken:
    """The same in a process of its own."""
    shutil.rmtree(store, ignore_errors=True)
    told = subprocess.run(
        [sys.executable, __file__, form, str(path), str(store)], check=True, capture_output=True, text=True
    )
    return Taken(**json.loads(told.stdout))


def _main(form: str, path: str, store: str) -> None:
    begin = time.perf_counter()
    report = take([Path(path)], parse_site(site_toml(1, (form,))), Path(store))
    seconds = time.perf_counter() - begin
    assert not report.skipped, report.skipped
    assert not report.unclaimed, report.unclaimed
    sys.stdout.write(json.dumps(Taken(seconds, _most_mib(), int(report.progress["events"].sum()))._asdict()))


def _most_mib() -> float:
    """The most this process ever held; what `getrusage` says counts the process that started this one as well."""
    (told,) = (line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM"))
    return int(told.split()[1]) / 1024


if __name__ == "__main__":
    _main(*sys.argv[1:])
