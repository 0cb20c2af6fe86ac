"""What the machines of an invented shop have to tell, minute by minute, in the three ways in which logs are written."""

import random
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from typing import Protocol

_FED = """
[[machine]]
name = "{}"
feeder.kind = "short magazine"
feeder.bars_held = 6
feeder.longest_bar_mm = 1250
feeder.minimum_remnant_mm = 90
feeder.planned_reload_s = 20
"""
_CONDITIONS = 'keys = { logic = { item = "CONDITION", component = "path", type = "LOGIC_PROGRAM" } }'
_ROWS = f"""
[[source]]
name = "@ log"
files = ["@*.csv"]
format = "csv"
machine = "@"
csv = {{ time = "time", signal = "signal", value = "value", code = "code", message = "message" }}
{_CONDITIONS}
"""
_JOB = """
[[job]]
name = "{}"
programs = ["{}"]
cycle_s = {}
part_mm = 40
parting_mm = 3
diameter_mm = 32
material = "steel"
density_kg_dm3 = 7.9
bar_mm = 400
"""
SITE = f"""
[site]
name = "shop"
time_zone = "UTC"
{_FED.format("T01")}{_FED.format("T02")}
[[machine]]
name = "T03"

[[machine]]
name = "T04"

[[machine]]
name = "T05"
{_ROWS.replace("@", "T01")}{_ROWS.replace("@", "T04")}
[[source]]
name = "T02 log"
files = ["T02*.log"]
format = "adapter lines"
machine = "T02"
{_CONDITIONS}

[[source]]
name = "agent"
files = ["agent*.xml"]
format = "mtconnect streams"
machines = {{ T03 = "T03", T05 = "T05" }}
{_JOB.format("bush", "O1", 50)}{_JOB.format("pin", "O2", 45)}"""

_START = datetime(2026, 3, 2, 20, tzinfo=UTC)
_TAGS = {"program": "Program", "execution": "Execution", "part_count": "PartCount", "end_of_bar": "EndOfBar"}


@dataclass(frozen=True)
class Told:
    """One value of one signal; a condition has a code and words, too."""

    at: datetime
    key: str
    value: str
    code: str = ""
    words: str = ""

    @property
    def stamp(self) -> str:
        """As it is written."""
        return f"{self.at:%Y-%m-%dT%H:%M:%S}.{self.at.microsecond // 1000:03}Z"


class Machine:
    """Makes a part about every minute, wants a bar every few parts, and fails now and then."""

    def __init__(self, rng: random.Random) -> None:
        self._rng = rng
        self._minute = -1
        self._parts = 0
        self.now: dict[str, Told] = {}

    def minute(self) -> list[Told]:
        """What it has to tell of the next minute, in the order in which it happened."""
        self._minute += 1
        told: list[Told] = []

        def tell(second: float, key: str, value: str, code: str = "", words: str = "") -> None:
            at = _START + timedelta(minutes=self._minute, milliseconds=round(second * 1000))
            told.append(Told(at, key, value, code, words))

        rng, second = self._rng, round(self._rng.uniform(0, 2), 3)
        if "program" not in self.now or rng.random() < 0.03:
            tell(second, "program", rng.choice(["O1", "O2"]))
        if self._parts and self._parts % 9 == 0:
            tell(second, "end_of_bar", "YES")
            tell(second + 4, "end_of_bar", "NO")
        tell(second + 5, "execution", "ACTIVE")
        if rng.random() < 0.1:  # it comes back to a value within one instant
            tell(second + 5, "execution", "READY")
            tell(second + 5, "execution", "ACTIVE")
        if rng.random() < 0.12:
            tell(second + 12, "logic", "FAULT", rng.choice(["812", "814", "0031"]), "no bar, magazine empty")
            tell(second + 12, "execution", "INTERRUPTED")
            tell(second + 31, "logic", "NORMAL")
            tell(second + 32, "execution", "ACTIVE")
        self._parts += 1
        tell(second + 52, "execution", "READY")
        # Torn, a number is another one: 10 is the beginning of 103.
        tell(second + 52, "part_count", str(self._parts + 96))
        if rng.random() < 0.05:  # a clock that is behind
            told[-1] = replace(told[-1], at=told[-1].at - timedelta(seconds=3))
        self.now.update((one.key, one) for one in told)
        return told


class Written(Protocol):
    """A way of writing: what each new file begins with, what comes next, and how a whole piece of it ends."""

    end: bytes

    def opening(self) -> str: ...
    def more(self) -> str: ...


class Rows:
    """A CSV with a signal a row."""

    end = b"\n"

    def __init__(self, rng: random.Random) -> None:
        self._machine = Machine(rng)

    def opening(self) -> str:
        """Names of columns."""
        return "time,signal,value,code,message\n"

    def more(self) -> str:
        """Rows of a minute."""
        rows = self._machine.minute()
        return "".join(f'{one.stamp},{one.key},{one.value},{one.code},"{one.words}"\n' for one in rows)


class Lines:
    """Adapter lines; most files begin with what was known before, under its own stamps."""

    end = b"\n"

    def __init__(self, rng: random.Random) -> None:
        self._rng, self._machine = rng, Machine(rng)

    def opening(self) -> str:
        """What was known, key by key."""
        if self._rng.random() < 0.3:
            return ""
        return "".join(_line([one]) for _, one in sorted(self._machine.now.items()))

    def more(self) -> str:
        """Lines of a minute; what has one stamp shares a line, conditions have one of their own."""
        lines: list[list[Told]] = []
        for one in self._machine.minute():
            beside = lines[-1][-1] if lines else None
            if beside and beside.at == one.at and "logic" not in (beside.key, one.key):
                lines[-1].append(one)
            else:
                lines.append([one])
        return "".join(map(_line, lines))


def _line(told: list[Told]) -> str:
    fields = [f"logic|{one.value}|{one.code}|1||{one.words}" if one.key == "logic" else f"{one.key}|{one.value}"
        for one in told]  # fmt: skip
    return f"{told[0].stamp}|{'|'.join(fields)}\n"


class Documents:
    """Answers of an agent, one after the other in a file: two machines, answers that overlap, an agent begun anew."""

    end = b"</MTConnectStreams>\n"

    def __init__(self, rng: random.Random, devices: tuple[str, ...] = ("T03", "T05")) -> None:
        self._rng = rng
        self._machines = {device: Machine(rng) for device in devices}
        self._instance, self._next = 1, 1
        self._before: dict[str, list[tuple[int, Told]]] = {}

    def opening(self) -> str:
        """Nothing: a document stands for itself."""
        return ""

    def more(self) -> str:
        """The answer that holds the next minute, and perhaps the one before once more."""
        if self._rng.random() < 0.03:
            self._instance, self._next, self._before = self._instance + 1, 1, {}
        news: dict[str, list[tuple[int, Told]]] = {}
        for device, machine in self._machines.items():
            told = machine.minute()
            news[device] = list(enumerate(told, self._next))
            self._next += len(told)
        again = self._before if self._rng.random() < 0.3 else {}
        self._before = news
        devices = "".join(_device(device, [*again.get(device, []), *told]) for device, told in news.items())
        return (
            '<?xml version="1.0" encoding="UTF-8"?>\n'
            '<MTConnectStreams xmlns="urn:mtconnect.org:MTConnectStreams:1.8">\n'
            f'<Header instanceId="{self._instance}" version="1.8" nextSequence="{self._next}"/>\n'
            f"<Streams>\n{devices}</Streams>\n</MTConnectStreams>\n"
        )


def _device(name: str, told: list[tuple[int, Told]]) -> str:
    events = "".join(_event(name, sequence, one) for sequence, one in told if one.key in _TAGS)
    conditions = "".join(_condition(name, sequence, one) for sequence, one in told if one.key == "logic")
    kept = f"<Condition>{conditions}</Condition>" if conditions else ""
    return (
        f'<DeviceStream name="{name}" uuid="u-{name}"><ComponentStream component="Path" name="path" '
        f'componentId="{name}-p">\n<Events>\n{events}</Events>\n{kept}</ComponentStream></DeviceStream>\n'
    )


def _event(device: str, sequence: int, one: Told) -> str:
    tag = _TAGS[one.key]
    place = f'dataItemId="{device}-{one.key}" sequence="{sequence}" timestamp="{one.stamp}"'
    return f"<{tag} {place}>{one.value}</{tag}>\n"


def _condition(device: str, sequence: int, one: Told) -> str:
    tag = one.value.capitalize()
    place = f'dataItemId="{device}-logic" sequence="{sequence}" timestamp="{one.stamp}" type="LOGIC_PROGRAM"'
    code = f' nativeCode="{one.code}"' if one.code else ""
    return f"<{tag} {place}{code}>{one.words}</{tag}>\n"
