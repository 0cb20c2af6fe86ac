"""The store: what was read and what was made of it, on disk, where readers only ever see whole steps.

    store = Store(Path("store"))
    store.append(readings)                    # exactly once, whatever happens in between
    store.events(["T01"]).collect()           # the distinct observations
    store.replace_facts(derive(...), ["T01"])
    store.fact("stops").collect()

A load takes three steps: `rejects`, `restated` and `progress` first, each row with the number of its load,
then `events`, whose commit carries that number as a mark. **The commit of `events` is the load**: rows of
the others with a higher number are of a load that never came about, nobody sees them, and the next load
removes them. Facts work alike: every table is written first, then one row in `generation` names the
versions that belong together, and readers open those.

A file that has grown is read anew as a whole, and its new rows take the place of the old ones in one commit.
"""

from runlog.store.folder import FORMAT
from runlog.store.inputs import Inputs
from runlog.store.loads import KnownFiles, Read
from runlog.store.mending import Mending
from runlog.store.upkeep import Tidied, Upkeep

__all__ = ["FORMAT", "KnownFiles", "Read", "Store", "Tidied"]


class Store(Inputs, Upkeep, Mending):
    """A folder of tables. Opening one does nothing yet; each question opens what it needs.

    Parameters
    ----------
    folder : Path
        Where the tables are, or will be with the first `append`.
    wait_s : float
        How long a write waits for another writer. [s]
    """
