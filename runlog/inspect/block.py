"""The `[[source]]` and `[[machine]]` of a site file as text, ready to be pasted at its end."""

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any, Final

from runlog.intake.packing import bare_name
from runlog.site.written import toml, toml_key

_DATE: Final = re.compile(r"\d{4}([-_.]?\d{2}){1,2}([-_.T ]?\d{2}){0,3}|\d{1,2}[-_.]\d{1,2}[-_.]\d{2,4}|\d{5,}")
_MADE_OF_SIGNS: Final = re.compile(r"[^A-Za-z0-9]+")


def source_block(source: dict[str, Any], about: str) -> str:
    """`[[source]]` of a site file.

    Parameters
    ----------
    source : dict
        As `Source` takes it; `keys` and `values` become sections.
    about : str
        A comment in front.

    Returns
    -------
    str
    """
    return "\n".join(_lines(source, about)) + "\n"


def _lines(source: dict[str, Any], about: str) -> Iterator[str]:
    yield "# " + re.sub(r"[\x00-\x1f\x7f]", "?", about)
    yield "[[source]]"
    sections = ("keys", "values", "machines")
    for name, told in source.items():
        if name not in sections:
            yield f"{name} = {toml(told)}"
    if source.get("machines"):
        yield "[source.machines]             # name in the files -> machine"
        for name, machine in source["machines"].items():
            yield f"{toml_key(name)} = {toml(machine)}"
    if source.get("keys"):
        yield "[source.keys]                 # name in the files -> standard item"
        for name, key in source["keys"].items():
            yield f"{toml_key(name)} = {toml({word: told for word, told in key.items() if told})}"
    for item, words in source.get("values", {}).items():
        yield f"[source.values.{toml_key(item)}]"
        for word, standard in words.items():
            yield f"{toml_key(word)} = {toml(standard)}"


def machine_block(name: str) -> str:
    """`[[machine]]` of a site file, to be filled in."""
    feeder = 'kind = "short magazine", bars_held = 12, longest_bar_mm = 1250, minimum_remnant_mm = 90'
    return (
        f"# New to the site file: put in what is true of this machine, then take the mark off the line of its feeder.\n"
        f"[[machine]]\nname = {toml(name)}\n# feeder = {{ {feeder}, planned_reload_s = 40 }}\n"
    )


def pattern_for(path: Path) -> str:
    """A pattern that claims this file and those of other days.

    Examples
    --------
    >>> pattern_for(Path("logs/T01_2026-10-12.csv.gz")), pattern_for(Path("export.txt"))
    ('T01_*.csv', 'export.txt')
    """
    bare = bare_name(path.name)
    stem, suffix = (bare[: -len(path.suffix)], path.suffix) if bare == path.name and path.suffix else _split(bare)
    escaped = re.sub(r"([\[*?])", r"[\1]", _DATE.sub("\0", stem))
    return re.sub(r"\0+([-_.T ]*\0)*", "*", escaped) + re.sub(r"([\[*?])", r"[\1]", suffix)


def _split(name: str) -> tuple[str, str]:
    suffix = Path(name).suffix
    return name[: len(name) - len(suffix)], suffix


def name_from(path: Path) -> str:
    """What a file's name says of its machine: the name without dates, suffixes and signs at its ends.

    Examples
    --------
    >>> name_from(Path("T01_2026-10-12.csv.gz")), name_from(Path("2026-10-12.csv"))
    ('T01', 'M1')
    """
    stem, _ = _split(bare_name(path.name))
    return _MADE_OF_SIGNS.sub("-", _DATE.sub("", stem)).strip("-") or "M1"
