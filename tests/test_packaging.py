"""What is installed holds what the commands need, and the rooms keep to themselves."""

import ast
import os
import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

import runlog
from runlog import bundled

ROOT = Path(__file__).parent.parent
PAGES = ROOT / "dashboards"

pytestmark = pytest.mark.skipif(not PAGES.is_dir(), reason="not a source tree")


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A wheel, built with what is installed: nothing is fetched."""
    to = tmp_path_factory.mktemp("wheel")
    words = [sys.executable, "-m", "build", "--wheel", "--no-isolation", "--outdir", str(to), str(ROOT)]
    built = subprocess.run(words, capture_output=True, text=True, check=False)
    assert built.returncode == 0, built.stdout + built.stderr
    return next(to.glob("runlog-*.whl"))


def files_of(folder: Path) -> set[str]:
    found = (path.relative_to(ROOT).as_posix() for path in folder.rglob("*") if path.is_file())
    return {name for name in found if "__pycache__" not in name}


def test_the_wheel_holds_pages_and_sample_logs_and_no_litter(wheel: Path):
    names = set(zipfile.ZipFile(wheel).namelist())
    wanted = {f"runlog/_bundled/{name}" for name in files_of(PAGES) | files_of(ROOT / "sample_logs")}
    assert wanted <= names
    assert {"runlog/py.typed", "runlog/starter_site.toml", "runlog/_bundled/dashboards/app.py"} <= names
    assert not [name for name in names if name.endswith(".pyc") or name.startswith(("tests", "docs", ".ci"))]
    assert {name.split("/")[0] for name in names} == {"runlog", f"runlog-{runlog.__version__}.dist-info"}


def test_an_installed_wheel_finds_its_own(wheel: Path, tmp_path: Path):
    """Unpacked as pip would, and called from a folder that is no source tree."""
    zipfile.ZipFile(wheel).extractall(tmp_path / "site")
    told = "from runlog import bundled; print(bundled.dashboard_app(), bundled.sample_logs(), sep='\\n')"
    said = subprocess.run(
        [sys.executable, "-c", told],
        cwd=tmp_path,
        env=os.environ | {"PYTHONPATH": str(tmp_path / "site")},
        capture_output=True,
        text=True,
        check=True,
    )
    app, samples = map(Path, said.stdout.splitlines())
    inside = tmp_path / "site" / "runlog" / "_bundled"
    assert (app, samples) == (inside / "dashboards" / "app.py", inside / "sample_logs")
    assert app.is_file()


def test_here_they_are_found_too():
    assert bundled.dashboard_app().is_file()
    assert bundled.sample_logs().is_dir()


def test_an_installation_without_them_says_so(monkeypatch: pytest.MonkeyPatch, tmp_path: Path):
    monkeypatch.setattr(bundled, "_PACKAGE", tmp_path)
    with pytest.raises(runlog.RunlogError, match="installed without its sample_logs"):
        bundled.sample_logs()


def test_the_public_names_are_there_and_sorted():
    names = runlog.__all__
    assert all(hasattr(runlog, name) for name in names)
    constants, classes, others = (
        [name for name in names if name.isupper()],
        [name for name in names if name[0].isupper() and not name.isupper()],
        [name for name in names if not name[0].isupper()],
    )
    assert names == sorted(constants) + sorted(classes) + sorted(others)


@pytest.mark.parametrize("page", sorted(PAGES.glob("*.py")), ids=lambda page: page.name)
def test_pages_compute_nothing(page: Path):
    """A page asks figures and draws: it neither reads logs nor derives."""
    imported = set()
    for node in ast.walk(ast.parse(page.read_text(encoding="utf-8"))):
        if isinstance(node, ast.Import):
            imported |= {name.name for name in node.names}
        elif isinstance(node, ast.ImportFrom) and node.module:
            imported |= {node.module, *(f"{node.module}.{name.name}" for name in node.names)}
    closed = ("runlog.derive", "runlog.intake", "runlog.pipeline", "runlog.plan", "runlog.simulator", "runlog.cli")
    assert not [name for name in imported if name.startswith(closed)]
