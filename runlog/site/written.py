"""Values as TOML, for what writes lines of a site file."""

import json
import re
from typing import Any, Final

_BARE_KEY: Final = re.compile(r"^[A-Za-z0-9_-]+$")


def toml(value: Any) -> str:
    """One value in TOML.

    Examples
    --------
    >>> toml({"item": "LENGTH", "decimal": ",", "day_first": True})
    '{ item = "LENGTH", decimal = ",", day_first = true }'
    """
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, list):
        return "[" + ", ".join(map(toml, value)) + "]"
    if isinstance(value, dict):
        return "{ " + ", ".join(f"{toml_key(key)} = {toml(told)}" for key, told in value.items()) + " }"
    return str(value)


def toml_key(key: str) -> str:
    """A key in TOML, quoted where it has to be."""
    return key if _BARE_KEY.match(key) else toml(key)
