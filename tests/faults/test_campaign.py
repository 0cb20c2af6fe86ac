"""A short fault campaign: no event lost, none doubled, facts as of a clean read."""

import os
from pathlib import Path

import pytest
from faults.campaign import campaign


@pytest.mark.slow
@pytest.mark.skipif(os.name == "nt", reason="kills as other systems know them")
def test_a_watcher_killed_again_and_again_loses_and_doubles_nothing(tmp_path: Path):
    result = campaign(kills=20, seed=3, folder=tmp_path)
    assert (result.lost, result.doubled, result.facts_equal) == (0, 0, True)
    assert result.events > 100
