"""What several tests start from."""

import os
from pathlib import Path

import pytest

# As the commands and the pages have it; read when polars is first imported.
os.environ.setdefault("POLARS_ENGINE_AFFINITY", "in-memory")

from runlog.pipeline import ingest
from runlog.site import load_site
from runlog.store import Store

SAMPLES = Path(__file__).parents[1] / "sample_logs"


@pytest.fixture(scope="session")
def sample_store(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A store made from the sample logs, for tests that only look."""
    folder = tmp_path_factory.mktemp("samples") / "store"
    report = ingest([SAMPLES], load_site(SAMPLES / "site.toml"), Store(folder), base=SAMPLES)
    assert not report.skipped
    return folder
