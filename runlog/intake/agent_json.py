"""MTConnectStreams as JSON, either version of it, and what older converters made of it.

Lists of one-key objects, objects of lists, single objects where there is one thing only, attributes with or without
`@`: all are walked as the XML would be, so that everything after is the same. Numbers stay as they are written.
"""

import json
import re
from collections.abc import Iterator
from typing import Any, Final

from runlog.intake.csv_records import decoded
from runlog.intake.walk import Handlers, RefusedError, Walk, is_part_headers

_ROOT: Final = "MTConnectStreams"
_START: Final = re.compile(r'\{\s*"MTConnect')
_TOKEN: Final = re.compile(r'"(?:[^"\\]|\\.)*"|[{}\[\]]', re.DOTALL)
_CONTAINERS: Final = ("Samples", "Events", "Condition")
_SHOWN: Final = 10_000
_CLOSERS: Final = {"{": "}", "[": "]"}

Pair = tuple[str, Any]


def walk_json(content: bytes) -> Walk:
    """Walk all JSON documents of a file."""
    walked = Walk()
    text = decoded(content)
    starts = [found.start() for found in _START.finditer(text)]
    before = text[: starts[0]] if starts else text
    if before.strip("[ \t\r\n\ufeff") and not is_part_headers(before.encode()):
        walked.refuse(before.encode(), "text before the first document found, a JSON document expected")
    done = 0
    for number, start in enumerate(starts):
        if start >= done:
            end = starts[number + 1] if number + 1 < len(starts) else len(text)
            done = _walk_one(text, start, end, walked)
    return walked


def _walk_one(text: str, start: int, end: int, walked: Walk) -> int:
    """Walk a document; where it ends."""
    handlers = Handlers(walked)
    damage = ()
    try:
        document, done = _decoder().raw_decode(text, start)
    except (ValueError, RecursionError) as error:
        document, kept = _mended(text[start:end])
        at = getattr(error, "pos", start) - start
        reason = (
            f"{getattr(error, 'msg', 'deep nesting')} at character {at} of {end - start}, a whole document expected"
        )
        damage = (_raw(text[start + kept : end]), reason)
        done = end
    try:
        for root, body in document.items():
            if root == _ROOT:
                _document(body, handlers)
            else:
                walked.refuse(_raw(text[start:done]), f"{root} found, {_ROOT} expected")
    except RefusedError as refused:
        walked.keep_complete()
        walked.refuse(_raw(text[start:done]), str(refused))
    if damage:
        walked.refuse(*damage)
    return done


def _raw(text: str) -> bytes:
    return text[:_SHOWN].encode(errors="replace")


def _decoder() -> json.JSONDecoder:
    return json.JSONDecoder(parse_int=str, parse_float=str, parse_constant=str, strict=False)


def _mended(text: str) -> tuple[dict[str, Any], int]:
    """What is complete of a document that breaks off, with its brackets closed, and how many characters that is."""
    open_brackets: list[str] = []
    kept, closing = 0, ""
    for token in _TOKEN.finditer(text):
        mark = token[0]
        if mark in _CLOSERS:
            open_brackets.append(mark)
        elif not mark.startswith('"'):
            if not open_brackets or _CLOSERS[open_brackets.pop()] != mark:
                break
            kept, closing = token.end(), "".join(_CLOSERS[bracket] for bracket in reversed(open_brackets))
    try:
        document, _ = _decoder().raw_decode(text[:kept] + closing)
    except (ValueError, RecursionError):
        return {}, 0
    return document, kept


# --- one document --------------------------------------------------------------------------------------


def _document(body: Any, handlers: Handlers) -> None:
    handlers.start(_ROOT, {})
    if isinstance(body, dict):
        for _, header in _pairs({"Header": body.get("Header")}):
            _leaf("Header", header, handlers)
        for name, device in _pairs(body.get("Streams")):
            if name == "DeviceStream" and isinstance(device, dict):
                _device(device, handlers)
    handlers.end(_ROOT)


def _device(device: dict[str, Any], handlers: Handlers) -> None:
    handlers.start("DeviceStream", _attributes(device))
    held = [*_pairs(device.get("ComponentStreams")), *_pairs({"ComponentStream": device.get("ComponentStream")})]
    for name, component in held:
        if name == "ComponentStream" and isinstance(component, dict):
            handlers.start(name, _attributes(component))
            for container in _CONTAINERS:
                handlers.start(container, {})
                for tag, observation in _pairs(component.get(container)):
                    _leaf(tag, observation, handlers)
                handlers.end(container)
            handlers.end(name)
    handlers.end("DeviceStream")


def _leaf(tag: str, told: Any, handlers: Handlers) -> None:
    attributes = _attributes(told) if isinstance(told, dict) else {}
    value = told.get("value", told.get("#text")) if isinstance(told, dict) else told
    if isinstance(value, dict):
        attributes.setdefault("count", str(len(value)))
    handlers.start(tag, attributes)
    if isinstance(value, dict) and "resetTriggered" in attributes:
        handlers.text(" ")
    handlers.text(_text(value))
    handlers.end(tag)


def _pairs(held: Any) -> Iterator[Pair]:
    """Names and what they name, however lists are written."""
    if isinstance(held, list):
        for one in held:
            yield from _pairs(one)
    elif isinstance(held, dict):
        for name, one in held.items():
            for each in one if isinstance(one, list) else [one]:
                if each is not None:
                    yield name, each


def _attributes(told: dict[str, Any]) -> dict[str, str]:
    return {
        name.removeprefix("@"): _scalar(value)
        for name, value in told.items()
        if name != "value" and isinstance(value, str | bool)
    }


def _scalar(value: Any) -> str:
    if value is None:
        return ""
    return str(value).lower() if isinstance(value, bool) else str(value)


def _text(value: Any) -> str:
    """A value in the form it has in adapter lines: `a=1 row={c=2}` for data sets and tables."""
    if isinstance(value, list):
        return " ".join(_text(one) for one in value)
    if isinstance(value, dict):
        return " ".join(f"{key}={_entry(one)}" for key, one in value.items())
    return _scalar(value)


def _entry(value: Any) -> str:
    if isinstance(value, dict):
        return "" if value.get("removed") is True else f"{{{_text(value)}}}"
    return _text(value)
