"""What happens to logs while they are followed: they grow, turn, are copied, cut, replaced, vanish and come back.

Each log lives its own life, a small step at a time, so that a watcher sees every state in between: half a line, half a
copy, no file at all. No content is ever lost for good: at the end of `Log.finish` each byte that was ever shown is in
the folder again or was moved to the attic, so that a clean read of both tells all there was.
"""

import os
import random
from collections.abc import Callable, Iterator, Mapping
from pathlib import Path

from faults.stories import Documents, Lines, Rows, Written

_PORTIONS = 3
PACE_S = (0.03, 0.4)


class Log:
    """One log that a program writes, with all that people and programs do to it.

    Parameters
    ----------
    folder, attic : Path
        Where it lies, and where what was read and deleted for good is put aside.
    name : str
        Name of the file.
    written : Written
        What is written into it.
    rng : random.Random
        Decides what happens.
    """

    def __init__(self, folder: Path, attic: Path, name: str, written: Written, rng: random.Random) -> None:
        self._folder, self._attic, self._written, self._rng = folder, attic, written, rng
        self._path = folder / name
        self._owed = written.opening()
        self._number = 0
        self._ending = False
        self._gone: list[bytes] = []
        self._copies: list[Path] = []
        self._whole: list[Path] = []
        self.deleted = 0
        self._mishaps: tuple[tuple[Callable[[], Iterator[None]], int], ...] = (
            (self._turned, 5),
            (self._copied_and_cut, 3),
            (self._replaced, 3),
            (self._made_shorter, 2),
            (self._away_and_back, 3),
            (self._copied, 4),
            (self._copy_deleted, 3),
            (self._by_the_hour, 4),
            (self._nothing, 9),
        )

    def life(self) -> Iterator[None]:
        """A small step with each `next`, until it was asked to finish."""
        mishaps, weights = zip(*self._mishaps, strict=True)
        while not self._ending:
            yield from self._grown()
            yield from self._rng.choices(mishaps, weights)[0]()

    def finish(self, life: Iterator[None]) -> None:
        """Bring what it is at to an end, and back what has vanished."""
        self._ending = True
        for _ in life:
            pass
        self._append(self._owed + self._written.more())
        for content in self._gone:
            self._beside("back").write_bytes(content)

    def tidy(self, read: Mapping[str, int]) -> None:
        """Delete for good what was read to its end: the bytes read, by name of file."""
        for path in [path for path in self._whole if read.get(path.name, -1) >= path.stat().st_size]:
            path.rename(self._attic / path.name)
            self._whole.remove(path)
            self.deleted += 1

    # --- growing -------------------------------------------------------------------------------------

    def _grown(self) -> Iterator[None]:
        news = self._owed + "".join(self._written.more() for _ in range(self._rng.randint(1, 3)))
        self._owed = ""
        torn = len(news) - self._rng.randint(1, 30) if self._rng.random() < 0.3 else len(news)
        lines = news[:torn].splitlines(keepends=True)
        by_line = self._rng.random() < 0.4
        for portion in lines if by_line else ["".join(lines)]:
            self._append(portion)
            yield
        self._owed = news[torn:]
        if self._owed and self._rng.random() < 0.6:
            yield from self._held(1, 4)
            self._complete()
        yield

    def _append(self, text: str) -> None:
        with self._path.open("ab") as log:
            log.write(text.encode())
        if self._rng.random() < 0.1:  # the clock of the share is off
            os.utime(self._path, (1.6e9, 1.6e9))

    def _complete(self) -> None:
        if self._owed:
            self._append(self._owed)
        self._owed = ""

    def _held(self, least: int, most: int) -> Iterator[None]:
        for _ in range(self._rng.randint(least, most)):
            if not self._ending:
                yield

    # --- mishaps -------------------------------------------------------------------------------------

    def _nothing(self) -> Iterator[None]:
        yield from self._held(1, 6)
        if self._rng.random() < 0.02:  # a line left open for longer than a watcher waits for its end
            yield from self._held(80, 120)

    def _turned(self) -> Iterator[None]:
        """Renamed, and begun anew; a program that still has the old one open ends its line there."""
        old = self._beside(self._rng.choice(["", "old/"]))
        self._path.rename(old)
        yield from self._held(0, 3)
        with old.open("ab") as log:
            log.write(self._owed.encode())
        yield
        self._owed = self._written.opening()

    def _copied_and_cut(self) -> Iterator[None]:
        """Copied, and cut to nothing; where a line was open, its rest comes after the cut."""
        if isinstance(self._written, Documents) or self._rng.random() < 0.5:
            self._complete()
        yield from self._spread(self._beside(""), self._path.read_bytes())
        os.truncate(self._path, 0)
        yield from self._held(0, 2)
        self._owed = self._written.opening() + self._owed

    def _replaced(self) -> Iterator[None]:
        """Written beside, and put in place in one go: the same and more, or something else."""
        self._complete()
        old = self._path.read_bytes()
        if self._rng.random() < 0.5:
            new = old + self._written.more().encode()
        else:
            new = (self._written.opening() + self._written.more()).encode()
            self._gone.append(old)
        beside = self._rng.choice([f".{self._path.name}", f"{self._path.name}.tmp", f"{self._path.stem}.next"])
        part = self._folder / (beside + (self._path.suffix if beside.endswith(".next") else ""))
        yield from self._spread(part, new)
        part.replace(self._path)
        yield

    def _made_shorter(self) -> Iterator[None]:
        """Written anew in place with only the first of its pieces; it then goes on with others than before."""
        self._complete()
        old = self._path.read_bytes()
        self._gone.append(old)
        pieces = old.split(self._written.end)[:-1]
        kept = pieces[: self._rng.randint(1, max(1, len(pieces) // 2))]
        self._path.write_bytes(b"".join(piece + self._written.end for piece in kept))
        yield

    def _away_and_back(self) -> Iterator[None]:
        """Deleted, and back with the same content: in its place, or under another name."""
        content = self._path.read_bytes()
        self._path.unlink()
        yield from self._held(2, 15)
        if self._rng.random() < 0.5:
            yield from self._spread(self._path, content)
        else:
            back = self._beside("again")
            yield from self._spread(back, content)
            with back.open("ab") as log:
                log.write(self._owed.encode())
            self._owed = self._written.opening()
        yield

    def _copied(self) -> Iterator[None]:
        """A copy under another name, or under the same name in another folder."""
        copy = self._beside("copy") if self._rng.random() < 0.5 else self._beside("copies/", name=self._path.name)
        yield from self._spread(copy, self._path.read_bytes())
        self._copies.append(copy)

    def _copy_deleted(self) -> Iterator[None]:
        if self._copies:
            self._copies.pop(self._rng.randrange(len(self._copies))).unlink()
        yield

    def _by_the_hour(self) -> Iterator[None]:
        """A file of its own that is whole at once; once it was read, it is deleted for good (see `tidy`)."""
        hour = self._beside("hour")
        content = self._written.opening() + "".join(self._written.more() for _ in range(self._rng.randint(1, 4)))
        yield from self._spread(hour, content.encode())
        self._whole.append(hour)

    def _spread(self, path: Path, content: bytes) -> Iterator[None]:
        """Write a file in a few portions."""
        cuts = sorted(self._rng.randint(0, len(content)) for _ in range(self._rng.randint(0, _PORTIONS)))
        with path.open("wb") as file:
            for begin, end in zip([0, *cuts], [*cuts, len(content)], strict=True):
                file.write(content[begin:end])
                file.flush()
                yield

    def _beside(self, word: str, *, name: str = "") -> Path:
        """A path nobody had before; a word that ends with a slash is a folder."""
        self._number += 1
        stem, suffix, number = self._path.stem, self._path.suffix, self._number
        if word.endswith("/"):
            path = self._folder / f"{word[:-1]}{number}" / (name or f"{stem}.{number}{suffix}")
            path.parent.mkdir(exist_ok=True)
            return path
        return self._folder / f"{stem}.{word}{number}{suffix}"


class Floor:
    """All logs of the shop, each with a pace of its own.

    Parameters
    ----------
    folder, attic : Path
        Where logs lie, and where those are put that are deleted for good.
    seed : int
        The same seed lets the same happen to each log, in the same order.
    """

    def __init__(self, folder: Path, attic: Path, seed: int) -> None:
        kinds: dict[str, Callable[[random.Random], Written]] = {
            "T01.csv": Rows,
            "T04.csv": Rows,
            "T02.log": Lines,
            "agent.xml": Documents,
        }
        self._rng = random.Random(seed)
        self._logs: list[tuple[Log, Iterator[None]]] = []
        self._due: list[float] = []
        for name, kind in kinds.items():
            rng = random.Random(f"{seed} {name}")
            log = Log(folder, attic, name, kind(rng), rng)
            self._logs.append((log, log.life()))
            self._due.append(0.0)

    def step(self, now: float) -> None:
        """Do what is due at an instant. [s]"""
        for place, (_, life) in enumerate(self._logs):
            if self._due[place] <= now:
                next(life)
                self._due[place] = now + self._rng.uniform(*PACE_S)

    def tidy(self, read: Mapping[str, int]) -> None:
        """Delete for good what was read to its end; see `Log.tidy`."""
        for log, _ in self._logs:
            log.tidy(read)

    def finish(self) -> None:
        """Bring everything to an end."""
        for log, life in self._logs:
            log.finish(life)

    @property
    def deleted(self) -> int:
        """How many files were deleted for good after they were read."""
        return sum(log.deleted for log, _ in self._logs)
