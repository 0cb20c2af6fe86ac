"""Where the pages and the sample logs are: beside the package in a source tree, inside it once installed."""

from pathlib import Path

from runlog.errors import RunlogError

_PACKAGE = Path(__file__).resolve().parent


def dashboard_app() -> Path:
    """The file that Streamlit runs."""
    return _found("dashboards") / "app.py"


def sample_logs() -> Path:
    """The folder of the sample logs, with their site file."""
    return _found("sample_logs")


def _found(name: str) -> Path:
    # What was built into the package first: a checkout beside an installed package is not its own.
    for folder in (_PACKAGE / "_bundled" / name, _PACKAGE.parent / name):
        if folder.is_dir():
            return folder
    raise RunlogError(f"{_PACKAGE}: installed without its {name}; install runlog again")
