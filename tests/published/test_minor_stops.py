"""Minor stop or breakdown: a length of time that is a parameter, as sources differ.

P. Willmott and D. McCarthy, TPM: A Route to World-Class Performance, Butterworth-Heinemann 2001, p. 81: a minor
stoppage can be cleared by the operator and usually lasts under 10 min. JIPM-style loss definitions (a public slide
set) let a breakdown begin at 5 to 10 min. Common shop settings, from memory: 2, 5 or 10 min.
"""

import polars as pl
import pytest
from derive.literal import SITE, log

from runlog.derive import derive
from runlog.figures.rollup import rolled_up
from runlog.site import parse_site

SEVEN_MINUTES = """
0 avail AVAILABLE
0 program O1
0 mode AUTOMATIC
0 exec ACTIVE
60 exec FEED_HOLD
480 exec ACTIVE
600 exec READY
"""


@pytest.mark.parametrize(("limit_s", "minor"), [(120, 0), (300, 0), (420, 0), (421, 1), (600, 1)])
def test_the_threshold_is_a_parameter(limit_s: int, minor: int):
    """A stop of 420 s under limits of 2, 5, 7 and 10 min; the limit itself is no minor stop any more."""
    facts = derive(log(SEVEN_MINUTES), parse_site(f"{SITE}\n[limits]\nminor_stop_s = {limit_s}\n"))
    got = rolled_up(facts["shift_figures"].filter(pl.col("shift") == "night")).collect().row(0, named=True)
    assert (got["minor_stops"], got["stops"]) == (minor, 1 - minor)
    assert (got["minor_stops_s"], got["stopped_s"]) == ((420, 0) if minor else (0, 420))
    # It never decides the cause.
    assert facts["stops"].collect()["cause"].to_list() == ["feed hold"]
