"""The device document (MTConnectDevices): what each key of a machine's log stands for."""

from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any
from xml.parsers import expat

from runlog.errors import ReadingError
from runlog.intake.vocabulary import (
    CONDITION,
    DEFAULT_SUB_TYPES,
    SPINDLE_ITEMS,
    Component,
    Meaning,
    component_words,
    meaning,
)

_TIME_SERIES_FIELDS = 3


@dataclass
class _Item:
    attributes: dict[str, str]
    component: int
    source: str = ""


@dataclass
class _Device:
    name: str
    uuid: str
    components: list[Component] = field(default_factory=list)
    items: list[_Item] = field(default_factory=list)


@dataclass(frozen=True)
class Devices:
    """What a device document says.

    Attributes
    ----------
    version : tuple of int
        Of the standard, (0, 0) if not told.
    keys : dict of str to dict of str to Meaning
        By device (its name), then by data item name, id or source text, all in lower case.
    uuids : dict of str to str
        Device names by uuid, in lower case.
    """

    version: tuple[int, int] = (0, 0)
    keys: dict[str, dict[str, Meaning]] = field(default_factory=dict)
    uuids: dict[str, str] = field(default_factory=dict)

    def of(self, *names: str) -> dict[str, Meaning]:
        """Keys of the first device known by one of these names or uuids; of all devices if none is."""
        for name in names:
            lower = name.lower()
            known = self.keys.get(lower) or self.keys.get(self.uuids.get(lower, ""))
            if known:
                return known
        return self.every

    @cached_property
    def every(self) -> dict[str, Meaning]:
        """Keys of all devices; of two devices with the same key, the first."""
        merged: dict[str, Meaning] = {}
        for known in self.keys.values():
            merged = known | merged
        return merged

    @property
    def activation_in_code(self) -> bool:
        """From 2.3 on a condition's code field may be `code:conditionId`."""
        return self.version >= (2, 3)


def load_devices(path: Path) -> Devices:
    """Read a device document; ReadingError if it is missing or is none."""
    try:
        content = path.read_bytes()
    except OSError as error:
        raise ReadingError(f"{path}: device document cannot be read: {error.strerror}") from None
    return parse_devices(content, path.name)


def parse_devices(content: bytes, name: str = "device document") -> Devices:
    """Read the bytes of a device document; `name` is how messages call it."""
    reader = _Reader()
    try:
        reader.parse(content)
    except expat.ExpatError as error:
        raise ReadingError(f"{name}: {error} found, a well-formed device document expected") from None
    except _DeclarationError:
        raise ReadingError(f"{name}: document type declaration found, none expected (never followed)") from None
    if reader.root != "MTConnectDevices":
        raise ReadingError(f"{name}: {reader.root or 'nothing'} found, MTConnectDevices expected")
    return Devices(
        version=reader.version,
        keys={device.name.lower(): _keys(device) for device in reader.devices},
        uuids={device.uuid.lower(): device.name.lower() for device in reader.devices if device.uuid},
    )


def version_of(text: str) -> tuple[int, int]:
    """First two numbers of a version text; (0, 0) if it has none.

    Examples
    --------
    >>> version_of("1.3.0.17")
    (1, 3)
    """
    numbers = [int(part) if part.isdecimal() else 0 for part in text.split(".")[:2]]
    return (numbers[0], numbers[1]) if len(numbers) == 2 else (0, 0)


def _keys(device: _Device) -> dict[str, Meaning]:
    words = component_words(device.components)
    keys: dict[str, Meaning] = {}
    # Ids are unique in a document and names nearly so: where they collide, an id wins over a source text.
    for label in ("source", "name", "id"):
        for item in device.items:
            text = item.source if label == "source" else item.attributes.get(label, "")
            if text:
                keys[text.lower()] = _meaning(item.attributes, words[item.component])
    return keys


def _meaning(attributes: dict[str, str], component: str) -> Meaning:
    item = attributes.get("type", "").strip()
    sub_type = attributes.get("subType", "")
    if attributes.get("category", "").upper() == CONDITION:
        return meaning(CONDITION, sub_type, component, item)
    series = attributes.get("representation") == "TIME_SERIES"
    discrete = attributes.get("representation") == "DISCRETE" or attributes.get("discrete") in ("true", "1")
    fields = _TIME_SERIES_FIELDS if series else 0
    if statistic := attributes.get("statistic"):
        # An average is not the value at an instant: what asks for ACTUAL must not find it.
        sub_type = f"{sub_type or DEFAULT_SUB_TYPES.get(item, '')} {statistic}".strip()
    return meaning(item or "x:UNTYPED", sub_type, component, discrete=discrete, fields=fields)


class _DeclarationError(Exception):
    """A document type declaration: entities could be hidden in it."""


class _Reader:
    def __init__(self) -> None:
        self.root = ""
        self.version = (0, 0)
        self.devices: list[_Device] = []
        self._path: list[str] = []
        self._open: list[int] = []
        self._item: _Item | None = None

    def parse(self, content: bytes) -> None:
        parser = expat.ParserCreate()
        parser.buffer_text = True
        parser.StartElementHandler = self._start
        parser.EndElementHandler = self._end
        parser.CharacterDataHandler = self._text
        parser.StartDoctypeDeclHandler = self._refuse
        parser.Parse(content, True)

    def _refuse(self, *_: Any) -> None:
        raise _DeclarationError

    def _start(self, name: str, attributes: dict[str, str]) -> None:
        local = name.rpartition(":")[2]
        parent = self._path[-1] if self._path else ""
        self._path.append(local)
        if not parent:
            self.root = local
        elif local == "Header":
            self.version = version_of(attributes.get("schemaVersion") or attributes.get("version", ""))
        elif parent == "Devices":
            self.devices.append(_Device(attributes.get("name", ""), attributes.get("uuid", "")))
            self._enter("Device", attributes)
        elif parent == "Components" and self._open:
            self._enter(local, attributes)
        elif local == "DataItem" and self._open:
            self._item = _Item(attributes, self._open[-1])
            self.devices[-1].items.append(self._item)
            self._mark_spindle(attributes)

    def _enter(self, local: str, attributes: dict[str, str]) -> None:
        components = self.devices[-1].components
        inside = bool(self._open) and component_words([components[self._open[-1]]]) == ["feeder"]
        components.append(Component(local, attributes.get("name", ""), in_feeder=inside))
        self._open.append(len(components) - 1)

    def _mark_spindle(self, attributes: dict[str, str]) -> None:
        if attributes.get("type") in SPINDLE_ITEMS and attributes.get("category", "").upper() != CONDITION:
            components = self.devices[-1].components
            turning = components[self._open[-1]]
            components[self._open[-1]] = Component(turning.type, turning.name, True, turning.in_feeder)

    def _text(self, text: str) -> None:
        if self._item is not None and self._path[-1] == "Source":
            self._item.source = (self._item.source + text).strip()

    def _end(self, _: str) -> None:
        local = self._path.pop()
        parent = self._path[-1] if self._path else ""
        if parent in ("Components", "Devices") and self._open:
            self._open.pop()
        elif local == "DataItem":
            self._item = None
