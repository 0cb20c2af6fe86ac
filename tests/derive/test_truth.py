"""On the simulator's logs every derived fact is what the simulator knows to be true, for 20 seeds.

The truth is computed by the simulator's own arithmetic and shares no code with derivation.
"""

from datetime import date

import pytest
from derive.agreement import differences

from runlog.derive import derive
from runlog.simulator import simulate_frames
from runlog.site import parse_site

WEEK_OF_CLOCK_CHANGE = date(2026, 10, 19)
"""Its last night, Saturday to Sunday 25 October 2026, has 9 hours in Berlin."""


@pytest.mark.parametrize("seed", range(1, 21))
def test_every_fact_equals_the_truth(seed):
    events, truth, toml = simulate_frames(start=WEEK_OF_CLOCK_CHANGE, weeks=1, seed=seed, machines=6)
    facts = derive(events.lazy(), parse_site(toml))
    assert [line for name, true in truth.items() for line in differences(true, facts[name].collect(), name)] == []
    assert all(truth[name].height for name in truth)
