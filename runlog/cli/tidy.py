"""`runlog tidy`: do at once what a watcher does for its store from time to time."""

from runlog.cli.common import STORE_FOLDER, StoreFolder, busy, console, mended
from runlog.store import Store, Tidied


def tidy(store: StoreFolder = STORE_FOLDER) -> None:
    """Put small files of the store together and remove what nothing needs any more; what it holds stays."""
    with busy("tidying"):
        done = sum(mended(Store(store)).tidy(), Tidied())
    console().print(_said(done))


def _said(done: Tidied) -> str:
    said = []
    if done.together:
        said.append(f"{done.together} files put together into {done.into}.")
    if done.removed:
        said.append(f"{done.removed} files removed that nothing needs, {done.freed / 1e6:.1f} MB freed.")
    return " ".join(said) or "Nothing to tidy."
