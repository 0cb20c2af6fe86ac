"""What people write on the pages."""

import data


def may_write(here: data.Place | None = None) -> bool:
    """Whether who looks at the page may write something."""
    return True
