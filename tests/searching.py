"""How long property tests search: RUNLOG_SEARCH=10 makes them try ten times as many examples."""

import os

_LONGER = float(os.environ.get("RUNLOG_SEARCH") or 1)


def examples(usual: int) -> int:
    """How many examples to try where `usual` are enough for every day."""
    return max(1, round(usual * _LONGER))
