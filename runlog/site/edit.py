"""A line added to a site file without touching the rest: comments, order, encoding and line ends stay.

edit = cause_rule_edit(Path("site.toml"), ["7002"], "drive fault")
edit.lines          # what will be added, to show before it is
edit.site           # the site as it will then be
edit.write()        # refused where somebody else wrote the file meanwhile
"""

import os
import shutil
import tempfile
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from runlog.errors import SiteError
from runlog.schema import CAUSE_GROUPS
from runlog.site import Site, parse_site
from runlog.site.written import toml

_MARK: Final = "\ufeff"
"""Byte order mark: some editors put it in front of UTF-8, and expect it there again."""


@dataclass(frozen=True)
class SiteEdit:
    """What a site file is to become.

    Attributes
    ----------
    path : Path
        The file.
    before, after : str
        Its text, with the line ends it has.
    lines : tuple of str
        What is new at its end.
    site : Site
        What it says then.
    """

    path: Path
    before: str
    after: str
    lines: tuple[str, ...]
    site: Site

    def write(self) -> None:
        """Put the new text in the place of the old in one go: nobody ever reads half of it.

        Raises
        ------
        SiteError
            The file is not what it was, or may not be written; it is left as it is.
        """
        path = self.path.resolve()
        if _text_of(path) != self.before:
            raise SiteError([f"{path}: changed by somebody else since; nothing was written, look at it again"])
        if not path.stat().st_mode & 0o222 or not os.access(path, os.W_OK):
            raise SiteError([f"{path}: read-only found, a file that may be written expected; nothing was written"])
        try:
            _replace(path, self.after.encode("utf-8"))
        except OSError as error:
            raise SiteError([f"{path}: cannot be written ({error.strerror}); it is as it was"]) from None


def cause_rule_edit(path: Path, codes: Sequence[str], cause: str) -> SiteEdit:
    """How a site file becomes one that gives alarm codes a cause; nothing is written yet.

    Raises
    ------
    SiteError
        There is no such file, it has mistakes, or the rule does not fit into it.
    """
    before = _text_of(path)
    after = with_cause_rule(before, codes, cause)
    site = parse_site(after.removeprefix(_MARK), path.name)
    lines = after[len(before) :].replace("\r\n", "\n").split("\n")
    return SiteEdit(path, before, after, tuple(line for line in lines if line), site)


def with_cause_rule(text: str, codes: Sequence[str], cause: str) -> str:
    """The text of a site file with one more `[[cause]]`, the last: the first that fits decides, so no other changes.

    Parameters
    ----------
    text : str
        Of a valid site file, with the line ends it has.
    codes : sequence of str
        Native codes that no rule names yet.
    cause : str
        One of `Site.cause_groups`.

    Raises
    ------
    SiteError
        The text has mistakes, a code has a cause, the cause is not known, or the file lists its causes in a way that
        nothing can be added to at its end.
    """
    site = parse_site(text.removeprefix(_MARK))
    _check(site, codes, cause)
    # A cause of the shop's own is known by its group only, which a rule without one would not know.
    group = [] if cause in CAUSE_GROUPS else [f"group = {toml(site.cause_group(cause))}"]
    rule = ["[[cause]]", f"cause = {toml(cause)}", *group, f"codes = {toml(list(codes))}"]
    end = "\r\n" if "\r\n" in text else "\n"
    apart = "" if text.endswith("\n") else end
    after = text + apart + end + "".join(line + end for line in rule)
    try:
        parse_site(after.removeprefix(_MARK))
    except SiteError as error:
        said = error.mistakes[0]
        raise SiteError([f"no rule can be added at the end of this site file, add it by hand ({said})"]) from None
    return after


def _check(site: Site, codes: Sequence[str], cause: str) -> None:
    if not codes or not all(code.strip() for code in codes):
        raise SiteError(["no alarm code found, at least one expected"])
    if cause not in site.cause_groups:
        raise SiteError([f"cause {cause!r} found, one of these expected: {', '.join(site.cause_groups)}"])
    known = {code: rule.cause for rule in reversed(site.cause) for code in rule.codes}
    if taken := [f"{code} is {known[code]}" for code in codes if code in known]:
        raise SiteError([f"these codes have a cause already, and the first rule decides: {', '.join(taken)}"])


def _text_of(path: Path) -> str:
    try:
        return path.read_bytes().decode("utf-8")
    except FileNotFoundError:
        raise SiteError([f"{path}: no site file found; `runlog site new` writes one to start from"]) from None
    except (OSError, UnicodeDecodeError) as error:
        raise SiteError([f"{path}: cannot be read: {error}"]) from None


def _replace(path: Path, content: bytes) -> None:
    handle, name = tempfile.mkstemp(prefix=f".{path.name}.", dir=path.parent)
    part = Path(name)
    try:
        with os.fdopen(handle, "wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        shutil.copymode(path, part)
        part.replace(path)
    except OSError:
        with suppress(OSError):
            part.unlink()
        raise
