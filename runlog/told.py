"""Facts of a store as people's words stand over them: what figures, pages and commands are asked of.

    facts = facts_as_told(store, site)

The tables on disk keep the log's own word; a word that is taken back leaves them as they were.
"""

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
    scrapped = with_scrap(store.facts(), store.held("scrap"))
    return with_named_causes(scrapped, in_force(store.held("notes")), site)
