"""Kill a watcher again and again while its logs grow and rotate: `python tests/faults/campaign.py --kills 200`.

A real watcher process is killed (SIGKILL) at random instants, started again, killed again. Meanwhile files grow, are
renamed, copied and repeated. At the end it may look once in peace; then its tables must equal a clean read of the
folder: no event lost, none doubled.
"""

import argparse
import random
import shutil
import subprocess
import sys
import tempfile
import time
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from watch.shop import HEADER, TEXT, facts, rows, taken, told

from runlog.store import Store


@dataclass(frozen=True)
class Result:
    """What a campaign found.

    Attributes
    ----------
    kills : int
        How often the watcher was killed.
    events : int
        Distinct events of a clean read.
    lost, doubled : int
        Of the watcher's store, against the clean read.
    facts_equal : bool
        Every fact table equals that of the clean read.
    seconds : float
        How long it took. [s]
    """

    kills: int
    events: int
    lost: int
    doubled: int
    facts_equal: bool
    seconds: float


class Writer:
    """Writes one machine's log into a folder: appended to, cut off within a row, rotated and copied."""

    def __init__(self, folder: Path, rng: random.Random) -> None:
        self._folder, self._rng = folder, rng
        self._minute, self._file = 0, 0
        self._owed = HEADER

    def step(self) -> None:
        """Do one of the things that happen to logs."""
        grown = self._minute + self._rng.randint(1, 5)
        self._owed += rows(self._minute, grown)
        self._minute = grown
        self._append(len(self._owed) - self._rng.choice([0, 0, 0, 1, 7, 20]))
        chance = self._rng.random()
        log = self._folder / "T01.csv"
        if chance < 0.2:
            self.finish()
            self._file += 1
            log.rename(self._folder / f"T01.{self._file}.csv")
            self._owed = HEADER
        elif chance < 0.3:
            shutil.copy(log, self._folder / f"T01.copy{self._minute}.csv")

    def finish(self) -> None:
        """Write what is still owed of a row that was cut off."""
        self._append(len(self._owed))

    def _append(self, length: int) -> None:
        with (self._folder / "T01.csv").open("a", newline="") as log:
            log.write(self._owed[:length])
        self._owed = self._owed[length:]


def campaign(kills: int, seed: int, folder: Path) -> Result:
    """Run a campaign in an empty folder; see `Result`."""
    begin, rng = time.monotonic(), random.Random(seed)
    logs = folder / "logs"
    logs.mkdir()
    (folder / "site.toml").write_text(TEXT)
    writer, command = Writer(logs, rng), [sys.executable, "-m", "runlog", "watch", "logs"]
    for _ in range(kills):
        watcher = subprocess.Popen(command, cwd=folder, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        until = time.monotonic() + rng.uniform(0.5, 2.5)
        while time.monotonic() < until:
            writer.step()
            time.sleep(rng.uniform(0.02, 0.3))
        watcher.kill()
        watcher.wait()
    writer.finish()
    subprocess.run([*command, "--once"], cwd=folder, check=True, stdout=subprocess.DEVNULL)
    return _compared(folder, kills, begin)


def _compared(folder: Path, kills: int, begin: float) -> Result:
    store, clean = Store(folder / "store"), Store(folder / "clean")
    taken(folder / "logs", clean)
    found, wanted = told(store), told(clean)
    lost = wanted.join(found, on=wanted.columns, how="anti", nulls_equal=True).height
    equal = all(frame.equals(facts(clean)[name]) for name, frame in facts(store).items())
    doubled = found.height - found.unique().height
    return Result(kills, wanted.height, lost, doubled, equal, time.monotonic() - begin)


def main() -> int:
    """Run it from the command line; exit code 1 if anything was lost or doubled."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        result = campaign(options.kills, options.seed, Path(folder))
    print(result)
    return int(bool(result.lost or result.doubled or not result.facts_equal))


if __name__ == "__main__":
    sys.exit(main())
