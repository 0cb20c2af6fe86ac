"""What people write on the pages."""


def may_write() -> bool:
    """Whether who looks at the page may note something."""
    return True
