"""The site file: what a shop tells `runlog` about itself, as one checked `Site`.

    site = load_site(Path("site.toml"))     # SiteError lists every mistake at once
    site.machine("T01").feeder.bars_held
    site.limits("T01").minor_stop_s         # the machine's own limit, else the site's, else the default

Sections of the TOML: `[site]`, `[limits]`, `[[shift]]`, `[[closure]]`, `[[machine]]`, `[[source]]`,
`[[job]]`, `[changeover]`, `[sawing]`, `[dashboard]`, `[[cause]]`. In messages the entries of a list count from 1, as
people do.

    values     kinds of values, each with the words for what is expected
    sections   one model a section
    checks     what must hold between sections
"""

import tomllib
from importlib import resources
from pathlib import Path
from typing import Any, Final

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from runlog.errors import SiteError
from runlog.site.checks import cross_checks
from runlog.site.sections import (
    DAYS,
    Break,
    CauseRule,
    Changeover,
    Closure,
    Csv,
    Dashboard,
    Day,
    Feeder,
    Heartbeat,
    Job,
    Key,
    Limits,
    Machine,
    OwnLimits,
    PartCounter,
    Sawing,
    Shift,
    Site,
    SiteNames,
    Source,
)
from runlog.site.standards import standard_of, with_standards

__all__ = [
    "DAYS",
    "Break",
    "CauseRule",
    "Changeover",
    "Closure",
    "Csv",
    "Dashboard",
    "Day",
    "Feeder",
    "Heartbeat",
    "Job",
    "Key",
    "Limits",
    "Machine",
    "OwnLimits",
    "PartCounter",
    "Sawing",
    "Shift",
    "Site",
    "SiteNames",
    "Source",
    "load_site",
    "missing_documents",
    "parse_site",
    "standard_of",
    "starter",
    "with_standards",
]

_WORDS: Final = {
    "bool_parsing": "true or false",
    "bool_type": "true or false",
    "dict_type": "a section of keys",
    "list_type": "a list",
    "model_attributes_type": "a section of keys",
    "model_type": "a section of keys",
    "string_type": "a text",
}
"""What is expected, where pydantic's own words speak to a programmer."""


def load_site(path: Path) -> Site:
    """Read and check a site file.

    Parameters
    ----------
    path : Path
        The TOML file, UTF-8 (a byte-order mark is tolerated).

    Returns
    -------
    Site

    Raises
    ------
    SiteError
        The file is missing, is no TOML, or holds mistakes: all of them, one a line.
    """
    try:
        content = path.read_text(encoding="utf-8-sig")
    except FileNotFoundError:
        raise SiteError(
            [f"{path}: no site file found; `runlog site new` writes one to start from, --site names another"]
        ) from None
    except (OSError, UnicodeDecodeError) as error:
        raise SiteError([f"{path}: cannot be read: {error}"]) from None
    return parse_site(content, path.name)


def parse_site(content: str, name: str = "site.toml") -> Site:
    """Check the text of a site file; `name` is how messages call it. See `load_site`."""
    try:
        tree = tomllib.loads(content)
    except tomllib.TOMLDecodeError as error:
        raise SiteError([f"{name}: no valid TOML: {error}"]) from None
    site, mistakes = _validated(tree)
    mistakes += cross_checks(tree)
    if site is None or mistakes:
        raise SiteError([f"{name}: {mistake}" for mistake in mistakes])
    return site


def missing_documents(site: Site, base: Path) -> list[str]:
    """Files a site names that are not there, worded like its other mistakes.

    They may sit on a share that is not always at hand, so this is no part of `load_site`.

    Parameters
    ----------
    site : Site
    base : Path
        Folder that paths in the site file are relative to.
    """
    return [
        f"source[{number}].devices: {source.devices!r} found, a file in {base} expected"
        for number, source in enumerate(site.source, 1)
        if source.devices and not (base / source.devices).is_file()
    ]


def starter() -> str:
    """The commented site file that `runlog site new` writes; it passes its own check."""
    return resources.files("runlog").joinpath("starter_site.toml").read_text(encoding="utf-8")


def _validated(tree: dict[str, Any]) -> tuple[Site | None, list[str]]:
    try:
        return Site.model_validate(tree), []
    except ValidationError as error:
        return None, [_mistake(detail) for detail in error.errors()]


def _mistake(detail: ErrorDetails) -> str:
    where = "".join(f"[{step + 1}]" if isinstance(step, int) else f".{step}" for step in detail["loc"])
    where = where.lstrip(".") or "the file"
    if detail["type"] == "missing":
        return f"{where}: nothing found, a value expected"
    if detail["type"] == "extra_forbidden":
        return f"{where}: unknown key found, a known one expected (spelling?)"
    found = detail["input"]
    shown = "these keys" if isinstance(found, dict | BaseModel) else repr(found)
    wanted = _WORDS.get(detail["type"], str(detail["msg"]).removeprefix("Input should be "))
    return f"{where}: {shown} found, {wanted} expected"
