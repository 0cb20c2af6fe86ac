"""The watcher: follows folders and keeps the store up to date, whatever happens to it or to them.

    with Stop().on_signals() as stop:
        watch([Path("logs")], Path("site.toml"), Store(Path("store")), stop=stop, tell=print)

It never remembers how far it has read: every look compares what is there with what the store holds, by the
bytes. So a kill costs the work of one step and nothing else. `follow` is the loop, `sightings` tells which
files have changed since they were dealt with, `notices` wakes the loop, `holder` keeps a second one away,
`stopping` ends it between two commits.
"""

from runlog.watch.follow import Outcome, watch
from runlog.watch.holder import WatchedError
from runlog.watch.stopping import Stop

__all__ = ["Outcome", "Stop", "WatchedError", "watch"]
