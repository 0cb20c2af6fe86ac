"""A disk that is full, or a store that may not be written: a message, no traceback, and all is there afterwards."""

import os
import shutil
import subprocess
import sys
import threading
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import pytest
from polars.testing import assert_frame_equal
from watch.shop import HEADER, TEXT, facts, rows, taken, told

from runlog.store import Store, delta
from runlog.watch import Stop, watch

PATIENCE_S = 120


@pytest.fixture
def shop(tmp_path: Path) -> Path:
    """A working folder with a site file, and a log that was read and has grown since."""
    (tmp_path / "logs").mkdir()
    (tmp_path / "site.toml").write_text(TEXT)
    (tmp_path / "logs" / "T01.csv").write_text(HEADER + rows(0, 10))
    taken(tmp_path / "logs", Store(tmp_path / "store"))
    (tmp_path / "logs" / "T01.csv").write_text(HEADER + rows(0, 30))
    return tmp_path


def ingested(folder: Path, largest_file: int | None = None) -> subprocess.CompletedProcess[str]:
    def limited() -> None:
        import resource

        if largest_file is not None:
            resource.setrlimit(resource.RLIMIT_FSIZE, (largest_file, largest_file))

    return subprocess.run(
        [sys.executable, "-m", "runlog", "ingest", "logs"],
        cwd=folder,
        # A compiled module that is cut off by the limit would keep everybody from loading it afterwards.
        env=os.environ | {"PYTHONPATH": str(Path(__file__).parents[2]), "PYTHONDONTWRITEBYTECODE": "1"},
        capture_output=True,
        text=True,
        check=False,
        preexec_fn=None if os.name == "nt" else limited,
    )


def same_as_clean(folder: Path) -> None:
    store, clean = Store(folder / "store"), Store(folder / "clean")
    taken(folder / "logs", clean)
    assert_frame_equal(told(store), told(clean))
    for name, frame in facts(clean).items():
        assert_frame_equal(facts(store)[name], frame)


@pytest.mark.skipif(os.name == "nt", reason="sizes of files are limited as other systems do")
def test_writes_that_fail_halfway_leave_a_message_and_a_store_to_go_on_with(shop: Path):
    """The smaller the largest file allowed, the earlier a load fails: at a log's entry, a table, a fact."""
    for largest_file in (1, 1500, 3000, 4500, 6000):
        found = ingested(shop, largest_file)
        assert found.returncode == 1, largest_file
        assert "runlog: store" in found.stderr
        assert "Traceback" not in found.stderr
    assert ingested(shop).returncode == 0
    same_as_clean(shop)


@pytest.mark.skipif(
    os.name == "nt" or not hasattr(os, "geteuid") or os.geteuid() == 0, reason="root may write anywhere"
)
def test_a_store_that_may_not_be_written_is_told(shop: Path):
    folders = [shop / "store", *(path for path in (shop / "store").rglob("*") if path.is_dir())]
    for folder in folders:
        folder.chmod(0o555)
    (shop / "store" / "lock").chmod(0o444)
    found = ingested(shop)
    for folder in folders:
        folder.chmod(0o755)
    (shop / "store" / "lock").chmod(0o644)
    assert found.returncode == 1
    assert "cannot be written" in found.stderr
    assert ingested(shop).returncode == 0
    same_as_clean(shop)


@pytest.mark.skipif(
    not hasattr(os, "geteuid") or os.geteuid() != 0 or not shutil.which("mount"), reason="needs to mount"
)
def test_a_store_on_a_disk_mounted_read_only_is_told(shop: Path):
    store = shop / "store"
    mounted = subprocess.run(["mount", "--bind", "-o", "ro", store, store], capture_output=True, check=False)
    if mounted.returncode != 0:
        pytest.skip(f"cannot mount here: {mounted.stderr.decode()}")
    try:
        found = ingested(shop)
        assert found.returncode == 1
        assert "cannot be written (Read-only file system)" in found.stderr
        assert "Traceback" not in found.stderr
    finally:
        subprocess.run(["umount", store], check=True)
    assert ingested(shop).returncode == 0
    same_as_clean(shop)


def test_a_watcher_waits_for_room_and_reads_on(shop: Path, monkeypatch: pytest.MonkeyPatch):
    said: list[str] = []
    stop = Stop()
    store = Store(shop / "store")
    with monkeypatch.context() as patched:
        patched.setattr(delta, "shutil", SimpleNamespace(disk_usage=lambda _: SimpleNamespace(free=0)))
        watcher = threading.Thread(
            target=watch, args=([shop / "logs"], shop / "site.toml", store), kwargs={"stop": stop, "tell": said.append}
        )
        watcher.start()
        try:
            until(lambda: any("the disk is full; make room" in line for line in said))
            time.sleep(2)  # it tries again meanwhile, and says nothing new
            assert sum("the disk is full" in line for line in said) == 1
            patched.undo()
            until(lambda: "all is well again" in said)
        finally:
            stop.ask()
            watcher.join(PATIENCE_S)
    same_as_clean(shop)


def until(happens: Callable[[], bool]) -> None:
    end = time.monotonic() + PATIENCE_S
    while not happens():
        assert time.monotonic() < end
        time.sleep(0.1)
