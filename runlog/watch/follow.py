"""The loop: look, read what has changed, rest, look again; what fails is tried again later."""

import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from runlog.errors import RunlogError
from runlog.naming import first_of
from runlog.pipeline import IngestReport, Skipped, Step, ingest, is_current, rederive
from runlog.site import Site, load_site
from runlog.store import Store
from runlog.store.heartbeat import DERIVING, WAITING
from runlog.watch.holder import Holder
from runlog.watch.housekeeping import Housekeeping
from runlog.watch.notices import Notices
from runlog.watch.sightings import Sight, Sightings, is_unfinished, seen
from runlog.watch.stopping import Stop

LOOK_EVERY_S: Final = 60.0
"""A look at everything, notices or not: one can be lost. [s]"""
POLL_EVERY_S: Final = 5.0
"""A look at everything where there are no notices. [s]"""
QUIET_S: Final = 0.3
"""What is written in one go is read in one go: so long without a notice. [s]"""
QUIET_AT_MOST_S: Final = 3.0
UNFINISHED_S: Final = 10.0
"""How long the end of a line or a document is waited for. [s]"""
RETRY_S: Final = (1.0, 300.0)
"""First and longest time until what failed is tried again. [s]"""
RESTS_PER_WORK: Final = 3.0
"""After a step it rests so many times as long as the step took, at most a minute."""
_REST_AT_MOST_S: Final = 60.0
TOLD_EVERY_S: Final = 1.0
"""How often the heartbeat tells how many files of a step are done, so that a long step does not seem to hang. [s]"""
_NAMED: Final = 5

Tell = Callable[[str], None]


@dataclass(frozen=True)
class Outcome:
    """What a watcher leaves behind at its end.

    Attributes
    ----------
    skipped : list of Skipped
        What could not be read up to then.
    """

    skipped: list[Skipped]


def watch(
    folders: list[Path],
    site_file: Path,
    store: Store,
    *,
    stop: Stop,
    tell: Tell,
    once: bool = False,
    poll: bool = False,
    wait: bool = False,
) -> Outcome:
    """Read what is in some folders, and whatever comes, until asked to stop.

    Parameters
    ----------
    folders : list of Path
        Searched to the bottom; one that is not there is waited for.
    site_file : Path
        Read again when it changes.
    store : Store
        Where it all goes.
    stop : Stop
        Asks for the end.
    tell : callable
        Told what happens, a line each.
    once : bool
        Look once, and end.
    poll : bool
        Look every few seconds, also where the system gives notice of changes.
    wait : bool
        Wait while another watcher holds the store.

    Raises
    ------
    WatchedError
        Another watcher holds the store.
    RunlogError
        The site file has mistakes, or the store cannot be written at the start.
    """
    if files := [folder for folder in folders if folder.is_file()]:
        raise RunlogError(f"{files[0]}: a file found, a folder expected; `runlog ingest` reads single files")
    with Holder(store.folder, folders, once=once) as holder:
        holder.take(stop, wait=wait, tell=tell)
        if stop.asked:  # while it waited, so it has nothing to read by
            return Outcome([])
        follower = _Follower(folders, site_file, store, holder, stop, tell)
        return follower.once() if once else follower.until_stopped(poll=poll)


class _StoppedError(Exception):
    """Raised between two files when the end was asked for."""


@dataclass
class _Trouble:
    """What could not be done, and when it is tried again."""

    reason: str
    sight: Sight | None = None
    tries: int = 0
    due: float = 0.0

    def put_off(self) -> None:
        first, longest = RETRY_S
        self.due = time.monotonic() + min(longest, first * 2**self.tries)
        self.tries += 1


@dataclass
class _SiteFile:
    """The site file, read again when it looks different."""

    path: Path
    site: Site = field(init=False)
    mistakes: str = ""
    _sight: Sight | None = field(init=False, default=None)

    def __post_init__(self) -> None:
        self._sight = seen(self.path)
        self.site = load_site(self.path)

    def renewed(self) -> bool:
        """Whether it was read again; if it now has mistakes, it keeps them, and the former one stands."""
        sight = seen(self.path)
        if sight is None or (sight == self._sight and not self.mistakes):
            return False
        self._sight = sight
        try:
            self.site = load_site(self.path)
        except RunlogError as error:
            self.mistakes = str(error)
            return False
        self.mistakes = ""
        return True


class _Follower:
    def __init__(
        self, folders: list[Path], site_file: Path, store: Store, holder: Holder, stop: Stop, tell: Tell
    ) -> None:
        self._folders = folders
        self._site_file = _SiteFile(site_file)
        self._store = store
        self._holder = holder
        self._stop = stop
        self._tell = tell
        self._sightings = Sightings(folders, store.folder)
        self._troubles: dict[Path, _Trouble] = {}
        self._unfinished: dict[Path, float] = {}
        self._unclaimed: set[Path] = set()
        self._missing: set[Path] = set()
        self._noticed: set[Path] = set()
        self._step_fails = _Trouble("")
        self._derive = False
        self._told_next = 0.0
        self._is_whole = False
        self._housekeeping = Housekeeping(store, tell)

    # --- from outside --------------------------------------------------------------------------------

    def once(self) -> Outcome:
        """One look at everything; errors of the store are the caller's."""
        self._look_for_folders()
        self._mend()
        try:
            self._read(self._sightings.changed())
        except _StoppedError:
            self._tell("stopped before the end")
        return self._outcome()

    def until_stopped(self, *, poll: bool) -> Outcome:
        """Look and read until asked to stop."""
        notices = Notices(self._folders, self._store.folder, self._stop.wake, self._tell, poll=poll)
        self._tell(f"watching {', '.join(map(str, self._folders))}; Ctrl+C stops it")
        try:
            while not self._stop.asked:
                began = time.monotonic()
                self._step(notices.noticed())
                self._report(WAITING)
                worked = time.monotonic() - began
                self._housekeeping.some(lambda: self._stop.asked or notices.are_waiting)
                self._rest(min(_REST_AT_MOST_S, RESTS_PER_WORK * worked))
                self._await_news(notices)
                notices.renew()
        finally:
            notices.end()
        self._tell("stopped")
        return self._outcome()

    def _outcome(self) -> Outcome:
        return Outcome([Skipped(path, trouble.reason) for path, trouble in self._troubles.items()])

    # --- waiting -------------------------------------------------------------------------------------

    def _rest(self, seconds: float) -> None:
        until = time.monotonic() + seconds
        while not self._stop.asked and (left := until - time.monotonic()) > 0:
            self._stop.wait(left)

    def _await_news(self, notices: Notices) -> None:
        longest = LOOK_EVERY_S if notices.all_come and not self._missing else POLL_EVERY_S
        due = [trouble.due for trouble in (*self._troubles.values(), self._step_fails) if trouble.reason]
        due += [since + UNFINISHED_S for since in self._unfinished.values()]
        now = time.monotonic()
        if not notices.are_waiting and not self._stop.wait(max(0.0, min([now + longest, *due]) - now)):
            return
        until = time.monotonic() + QUIET_AT_MOST_S
        while not self._stop.asked and time.monotonic() < until and self._stop.wait(QUIET_S):
            pass

    # --- one step ------------------------------------------------------------------------------------

    def _step(self, noticed: set[Path]) -> None:
        """One look, and reading what it shows; whatever fails is told once and tried again."""
        self._noticed |= noticed
        if self._step_fails.due > time.monotonic():
            return
        try:
            self._holder.check()
            self._mend()
            self._renew_site()
            self._look_for_folders()
            self._read(self._due(self._sightings.changed(self._noticed)))
            if self._derive:
                self._report(DERIVING)
                for standard in rederive(self._site_file.site, self._store):
                    self._tell(str(standard))
                self._derive = False
        except _StoppedError:
            return
        except Exception as error:
            self._fails(error)
        else:
            self._noticed.clear()
            if self._step_fails.reason:
                self._tell("all is well again")
            self._step_fails = _Trouble("")

    def _mend(self) -> None:
        """Look whether the store is whole, at the start and after every failure."""
        if not self._is_whole:
            for line in self._store.mend():
                self._tell(line)
            self._is_whole = True

    def _fails(self, error: Exception) -> None:
        self._is_whole = False
        own = isinstance(error, RunlogError)
        reason = str(error) if own else f"a fault of runlog's own, please report it: {type(error).__name__}: {error}"
        self._step_fails.put_off()
        if reason != self._step_fails.reason:
            self._step_fails.reason = reason
            self._tell(f"{reason} (tried again)")

    def _renew_site(self) -> None:
        before = self._site_file.mistakes
        renewed = self._site_file.renewed()
        if self._site_file.mistakes not in ("", before):
            self._tell(f"{self._site_file.mistakes}; it counts as it was before until that is mended")
        if renewed:
            self._tell(f"{self._site_file.path}: read again; what was read before stays as it is until `--again`")
            self._unclaimed.clear()
            self._sightings.forget_all()
            self._derive = True

    def _look_for_folders(self) -> None:
        for folder in self._folders:
            if folder.is_dir():
                self._missing.discard(folder)
            elif folder not in self._missing:
                self._missing.add(folder)
                self._tell(f"{folder}: no such folder now, looked for again every few seconds")

    def _due(self, changed: dict[Path, Sight]) -> dict[Path, Sight]:
        """Without those that failed as they are now not long ago, and those that are still being written."""
        now = time.monotonic()
        for known in (self._troubles, self._unfinished):
            for path in known.keys() - changed.keys():
                del known[path]
        due: dict[Path, Sight] = {}
        for path, sight in changed.items():
            trouble = self._troubles.get(path)
            if trouble and trouble.sight == sight and trouble.due > now:
                continue
            if is_unfinished(path) and now - self._unfinished.setdefault(path, now) < UNFINISHED_S:
                continue
            due[path] = sight
        return due

    def _read(self, due: dict[Path, Sight]) -> None:
        if not due and is_current(self._site_file.site, self._store):
            return
        files = [*due]
        self._report(f"reading {_counted(len(files), 'file')}")
        beside = self._sightings.longer_alike(files) - due.keys()
        site = self._site_file.site
        base = self._site_file.path.parent
        report = ingest([*files, *sorted(beside)], site, self._store, base=base, progress=self._between_files)
        self._derive = self._derive and not report.derived
        self._settle(due, report)
        self._tell_of(report)

    def _between_files(self, step: Step) -> None:
        if self._stop.asked:
            raise _StoppedError
        if step.done == step.total:
            self._report(DERIVING)
        elif time.monotonic() >= self._told_next:
            self._told_next = time.monotonic() + TOLD_EVERY_S
            self._report(f"reading {_counted(step.total, 'file')}, {step.done} done")

    def _settle(self, due: dict[Path, Sight], report: IngestReport) -> None:
        failed = {one.path: one.reason for one in report.skipped}
        for path, sight in due.items():
            self._unfinished.pop(path, None)
            if path not in failed:
                self._sightings.settle(path, sight)
                if self._troubles.pop(path, None):
                    self._tell(f"{path}: read after all")
            elif seen(path) is None:
                self._troubles.pop(path, None)
            else:
                self._put_off(path, sight, failed[path])

    def _put_off(self, path: Path, sight: Sight, reason: str) -> None:
        trouble = self._troubles.setdefault(path, _Trouble(""))
        if trouble.sight != sight:
            trouble.tries = 0
        trouble.sight = sight
        trouble.put_off()
        if trouble.reason != reason:
            trouble.reason = reason
            where = "" if reason.startswith(str(path)) else f"{path}: "
            self._tell(f"{where}{reason} (tried again)")

    # --- telling -------------------------------------------------------------------------------------

    def _report(self, doing: str) -> None:
        troubles = {str(path): trouble.reason for path, trouble in self._troubles.items()}
        self._holder.doing(doing, self._step_fails.reason or self._site_file.mistakes, troubles)

    def _tell_of(self, report: IngestReport) -> None:
        for standard in report.standards:
            self._tell(str(standard))
        new = [path for path in report.unclaimed if path not in self._unclaimed]
        self._unclaimed.update(new)
        if new:
            self._tell(f"{_counted(len(new), 'file')} claimed by no source of the site file: {first_of(new, _NAMED)}")
        read = report.progress
        if len(read) > _NAMED:
            self._tell(f"{_counted(len(read), 'file')}: {read['events'].sum()} events, {read['rejects'].sum()} rejects")
            return
        for row in read.iter_rows(named=True):
            rejects = f", {row['rejects']} rejects" if row["rejects"] else ""
            self._tell(f"{row['path']}: {row['events']} events{rejects}")


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"
