"""What every screen and paper that leaves the house says of its own limits, in one place."""

from typing import Final

CAUTIONS: Final[tuple[str, ...]] = (
    "runlog reads logs. It never commands a machine, and it cannot stop one.",
    "No figure here is a permission to run unattended. Guards and interlocks, fire protection where cutting oil is "
    "used, bar support and speed limits follow the instructions of the makers of machine and feeder, local law, and "
    "people competent to judge; ISO 23125 (safety of turning machines) and ISO 19353 (fire) say what to look at.",
    "A count of bars left that comes from a log is an estimate: look into the magazine before relying on it.",
)
"""One paragraph each."""
