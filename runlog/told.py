"""Facts of a store as people's words stand over them: what figures, pages and commands are asked of.

    facts = facts_as_told(store, site)

The tables on disk keep the log's own word; a word that is taken back leaves them as they were.
"""

import polars as pl

from runlog.figures.named_causes import with_named_causes
from runlog.figures.quality import with_scrap
from runlog.figures.window import Facts
from runlog.notes import in_force
from runlog.site import Site
from runlog.store import Store


def facts_as_told(store: Store, site: Site) -> Facts:
    """Fact tables by name, scrap lists counted and stops called what people named them.

    Raises
    ------
    StoreError
        There is no store, or it cannot be read.
    """
    return with_named_causes(facts_as_counted(store), names_in_force(store), site)


def facts_as_counted(store: Store) -> Facts:
    """The same before anybody named a cause."""
    return with_scrap(store.facts(), store.held("scrap"))


def names_in_force(store: Store) -> pl.DataFrame:
    """Causes that people named and nobody took back, rows of NOTES: all of them that changes a figure of stops."""
    return in_force(store.held("notes")).filter(pl.col("kind") == "cause")
