"""One pass of expat over a file of MTConnectStreams documents.

Bounded whatever the file says: nothing is nested deeper than `MOST_DEPTH`, no single tag, attribute or comment is
longer than `MOST_TOKEN` bytes and no observation longer than `MOST_TEXT`, and entities are never followed.
"""

import codecs
import re
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from typing import Any, Final, NamedTuple
from xml.parsers import expat

from runlog.intake.carry import CannotFollowError

_CONTAINERS: Final = frozenset({"Samples", "Events", "Condition"})
_ROOT: Final = "MTConnectStreams"
_START: Final = re.compile(rb"<\?xml\s|<(?:[\w.-]+:)?MTConnect(?:Streams|Devices|Assets|Error)\b")
_CLOSED: Final = re.compile(rb"</(?:[\w.-]+:)?MTConnectStreams\s*>\s*$")
_LOOKED_BACK: Final = 1024
_DECLARED: Final = re.compile(rb"""^\s*<\?xml[^>]*encoding\s*=\s*["']([\w.-]+)["']""")
_STANDARD: Final = ("mtconnect.org:MTConnect", "mtconnect.com:MTConnect")
_CONTROL: Final = bytes(byte for byte in range(32) if byte not in b"\t\n\r")
_BLANKED: Final = bytes.maketrans(_CONTROL, b" " * len(_CONTROL))
_JUNK_AFTER_END: Final = expat.errors.codes[expat.errors.XML_ERROR_JUNK_AFTER_DOC_ELEMENT]
_RAW_KEPT: Final = 10_000
_STEP: Final = 1024 * 1024
_PART_HEADERS: Final = re.compile(rb"\s*(?:--[^\n]*|[\w-]+:[^\n]*|HTTP/[^\n]*|\s*)(?:\n|$)")
UTF16: Final = (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)
MOST_DEPTH: Final = 100
MOST_TOKEN: Final = 8 * 1024 * 1024
MOST_TEXT: Final = 4 * 1024 * 1024


class Kind(NamedTuple):
    """What observations of one sort have in common."""

    part: int
    condition: bool
    tag: str
    id: str
    name: str
    sub_type: str
    type: str
    statistic: str


class Part(NamedTuple):
    """One ComponentStream of one DeviceStream."""

    device: str
    uuid: str
    type: str
    name: str
    id: str
    agent: bool

    @property
    def identity(self) -> tuple[str, str, str]:
        """What makes it the same component in another document."""
        return (self.type, self.id, self.name if not self.id else "")


class Header(NamedTuple):
    """What a document says of itself: before which observation it stands, and where its agent's buffer was."""

    place: int
    instance: str
    first: str
    next: str


@dataclass
class Walk:
    """What was found, a list a column; an observation is complete once its `said` is there.

    `headers` holds from which observation on which instance of the agent spoke. Few observations have a
    code or an activation: `codes` and `activations` hold which, and what. `turning` are the parts known for spindles,
    `closed` is whether the last document ended as it should. Of documents that come after others of their file
    (`follows`), the parts, what `turns`, the standard's prefixes and the elements go on from those.
    """

    kinds: dict[tuple[int, bool, str, *tuple[str | None, ...]], int] = field(default_factory=dict)
    parts: dict[Part, int] = field(default_factory=dict)
    headers: list[Header] = field(default_factory=list)
    kind: list[int] = field(default_factory=list)
    sequence: list[str | None] = field(default_factory=list)
    timestamp: list[str | None] = field(default_factory=list)
    said: list[str] = field(default_factory=list)
    codes: dict[int, str] = field(default_factory=dict)
    activations: dict[int, str] = field(default_factory=dict)
    rejects: list[tuple[int, int, str, str]] = field(default_factory=list)
    notes: list[str] = field(default_factory=list)
    standard: set[str] = field(default_factory=set)
    turning: set[int] = field(default_factory=set)
    elements: int = 0
    encoding: str | None = "utf-8"
    follows: bool = False
    closed: bool = False

    def keep_complete(self) -> None:
        """Forget an observation whose end was not seen."""
        whole = len(self.said)
        for column in (self.kind, self.sequence, self.timestamp):
            del column[whole:]
        self.codes.pop(whole, None)
        self.activations.pop(whole, None)

    def refuse(self, raw: bytes, reason: str) -> None:
        """Note a piece that could not be read."""
        text = raw[:_RAW_KEPT].decode("utf-8", errors="replace")
        self.rejects.append((self.elements, 0, text, reason))

    def kinds_named(self) -> list[Kind]:
        """The kinds in the order of their numbers; a prefix bound to the standard is no extension."""
        return [
            Kind(part, condition, self._local(tag), *(word or "" for word in words))
            for part, condition, tag, *words in self.kinds
        ]

    def _local(self, tag: str) -> str:
        prefix, _, local = tag.rpartition(":")
        return local if prefix in self.standard else tag


class RefusedError(Exception):
    """What is refused unread; its text says what was found and what was expected."""


def walk(content: bytes, before: Walk | None = None) -> Walk:
    """Walk all documents of a file, or those that come after others; CannotFollowError where they need those."""
    walked = before or Walk()
    content = _encoded(content, walked)
    for document in _documents(content, walked):
        _walk_one(document, walked)
    return walked


def _encoded(content: bytes, walked: Walk) -> bytes:
    """Bytes expat can read, and in `Walk.encoding` what is forced upon it, if anything."""
    if content.startswith(UTF16) and not walked.follows:
        content = content.decode("utf-16", errors="replace").encode()
    try:
        # A file that is being written may end in the middle of a character.
        codecs.getincrementaldecoder("utf-8")().decode(content)
    except UnicodeDecodeError:
        if walked.follows:
            raise CannotFollowError("another encoding than that of the documents before") from None
        declared = _DECLARED.search(content[:200])
        other = bool(declared) and declared[1].lower() not in (b"utf-8", b"utf8")
        walked.encoding = None if other else "iso-8859-1"
        if not other:
            walked.notes.append("bytes that are no UTF-8: read as Latin-1")
    bare = content.translate(_BLANKED)
    if bare != content:
        walked.notes.append("control characters replaced by blanks")
    return bare if walked.follows else bare.removeprefix(codecs.BOM_UTF8)


def _documents(content: bytes, walked: Walk) -> Iterator[bytes]:
    """Split at each document's start; what is before the first and is not blank was refused."""
    starts = Starts(is_all=True).look(content)
    if walked.follows:
        _pass_over(content[: starts[0]] if starts else content)
    elif not starts:
        if content.strip():
            yield content
        return
    elif not is_part_headers(content[: starts[0]]):
        walked.refuse(content[: starts[0]], "text before the first document found, an XML document expected")
    for start, end in pairwise([*starts, len(content)]):
        yield content[start:end]


def _pass_over(content: bytes) -> None:
    """Between two documents: what the parser passes over behind the one before."""
    parser = expat.ParserCreate("utf-8")
    parser.Parse(b"<a/>", False)
    try:
        parser.Parse(content, True)
    except expat.ExpatError as error:
        if error.code != _JUNK_AFTER_END:
            raise CannotFollowError("what is behind a document damages it") from None
    if len(content) > MOST_TOKEN:
        raise CannotFollowError("too much between two documents")


class Starts:
    """Where documents start, in bytes that may become more.

    Parameters
    ----------
    is_all : bool
        Whether none will come: else a start that goes to their very end is left open.
    """

    def __init__(self, *, is_all: bool) -> None:
        self._is_all = is_all
        self._found: list[int] = []
        self._declared = False
        self._from = 0

    def look(self, content: bytes) -> list[int]:
        """All starts in the bytes so far, what was looked at before among them."""
        news = content[self._from :].translate(_BLANKED)
        # A start is one tag: whatever is before the last one is decided.
        last = max(news.rfind(b"<"), 0)
        for found in _START.finditer(news):
            if not self._is_all and (found.start() >= last or found.end() == len(news)):
                break
            is_declaration = found[0].startswith(b"<?xml")
            if is_declaration or not self._declared:
                self._found.append(self._from + found.start())
            self._declared = is_declaration
        self._from += last
        return self._found


def is_closed(content: bytes) -> bool:
    """Whether bytes end as a document does."""
    return bool(_CLOSED.search(content[-_LOOKED_BACK:].translate(_BLANKED)))


def is_part_headers(content: bytes) -> bool:
    """Whether this is nothing but what a stream saved to disk holds between its documents."""
    at = 0
    while at < len(content):
        line = _PART_HEADERS.match(content, at)
        if line is None or line.end() == at:
            return False
        at = line.end()
    return True


def _walk_one(document: bytes, walked: Walk) -> None:
    handlers = Handlers(walked)
    walked.closed = False
    parser = expat.ParserCreate(walked.encoding)
    handlers.attach(parser)
    try:
        _feed(parser, document)
    except RefusedError as refused:
        walked.keep_complete()
        walked.refuse(document[max(parser.CurrentByteIndex, 0) :][:_RAW_KEPT], str(refused))
    except expat.ExpatError as error:
        walked.keep_complete()
        # Multipart headers and log text between two documents are no damage.
        if not (error.code == _JUNK_AFTER_END and handlers.root_closed):
            at = parser.ErrorByteIndex
            start = document.rfind(b"<", 0, at) if handlers.depth else at
            reason = f"{expat.ErrorString(error.code)} at byte {at} of {len(document)}, a whole document expected"
            walked.refuse(document[max(start, 0) :], reason)
    else:
        walked.closed = handlers.root == _ROOT
        if not walked.closed:
            walked.refuse(document, f"{handlers.root} found, {_ROOT} expected")


def _feed(parser: Any, document: bytes) -> None:
    # In pieces: a tag without end must not be looked at as a whole before it is known how long it is.
    view = memoryview(document)
    for start in range(0, len(view), _STEP):
        parser.Parse(view[start : start + _STEP], False)
        if start + _STEP - max(parser.CurrentByteIndex, 0) > MOST_TOKEN + _STEP:
            raise RefusedError(
                f"a tag, attribute or comment of more than {MOST_TOKEN:,} bytes found, a shorter one expected"
            )
    parser.Parse(b"", True)


class Handlers:
    """The state of one document's walk."""

    def __init__(self, walked: Walk) -> None:
        self.walked = walked
        self.root = ""
        self.root_closed = False
        self.depth = 0
        self._observed_at = 0
        self._condition = False
        self._device = ("", "")
        self._part = 0
        self._words: list[str] = []
        self._length = 0
        self._in_row = False

    def attach(self, parser: Any) -> None:
        parser.buffer_text = True
        parser.StartElementHandler = self.start
        parser.EndElementHandler = self.end
        parser.CharacterDataHandler = self.text
        parser.StartDoctypeDeclHandler = self._refuse

    def _refuse(self, *_: Any) -> None:
        raise RefusedError("document type declaration found, none expected: entities are never followed")

    def start(self, name: str, attributes: dict[str, str]) -> None:
        self.depth += 1
        if self.depth > MOST_DEPTH:
            raise RefusedError(f"elements nested more than {MOST_DEPTH} deep found, fewer expected")
        if self.depth == self._observed_at:
            self._observe(name, attributes)
        else:
            self.walked.elements += 1
            if self._observed_at:
                self._nest(name, attributes)
            else:
                self._descend(name, attributes)

    def _observe(self, tag: str, attributes: dict[str, str]) -> None:
        # Called for every observation of a file: nothing here that could wait.
        walked, get = self.walked, attributes.get
        key = (self._part, self._condition, tag, get("dataItemId"), get("name"), get("subType"), get("type"),
               get("statistic"))  # fmt: skip
        kind = walked.kinds.get(key)
        if kind is None:
            kind = walked.kinds[key] = len(walked.kinds)
        walked.kind.append(kind)
        walked.sequence.append(get("sequence"))
        walked.timestamp.append(get("timestamp"))
        self._words.clear()
        self._length = 0
        if "nativeCode" in attributes:
            walked.codes[len(walked.said)] = attributes["nativeCode"]
        if "conditionId" in attributes:
            walked.activations[len(walked.said)] = attributes["conditionId"]
        if "resetTriggered" in attributes and "count" in attributes:
            self._words.append(f":{attributes['resetTriggered']}")

    def _nest(self, name: str, attributes: dict[str, str]) -> None:
        # Data sets and tables keep the form they have in adapter lines: `a=1 row={c=2}`.
        local = name.rpartition(":")[2]
        if local not in ("Entry", "Cell"):
            return
        while self._words and not self._words[-1].strip():
            self._words.pop()
        first_cell = local == "Cell" and not self._in_row
        self._in_row = local == "Cell"
        before = "{" if first_cell else " " if self._words else ""
        self._words.append(f"{before}{attributes.get('key', '')}=")

    def _descend(self, name: str, attributes: dict[str, str]) -> None:
        local = name.rpartition(":")[2]
        if not self.root:
            self.root = local
        for key, uri in attributes.items():
            if key.startswith("xmlns:") and any(mark in uri for mark in _STANDARD):
                self.walked.standard.add(key[6:])
        if local == "Header":
            told = (attributes.get(name, "") for name in ("instanceId", "firstSequence", "nextSequence"))
            self.walked.headers.append(Header(len(self.walked.said), *told))
        elif local == "DeviceStream":
            self._device = (attributes.get("name", ""), attributes.get("uuid", ""))
        elif local == "ComponentStream":
            kind, named = attributes.get("component", ""), attributes.get("name", "")
            part = Part(*self._device, kind, named, attributes.get("componentId", ""), kind == "Agent")
            self._part = self.walked.parts.setdefault(part, len(self.walked.parts))
        elif local in _CONTAINERS and self.walked.parts:
            self._observed_at = self.depth + 1
            self._condition = local == "Condition"

    def text(self, text: str) -> None:
        if self._observed_at and self.depth >= self._observed_at:
            self._words.append(text)
            self._length += len(text)
            if self._length > MOST_TEXT:
                raise RefusedError(
                    f"an observation of more than {MOST_TEXT:,} characters found, a shorter one expected"
                )

    def end(self, name: str) -> None:
        if self.depth == self._observed_at:
            self.walked.said.append("".join(self._words))
            self.walked.elements += 1
        elif self._in_row and name.endswith("Entry"):
            self._words.append("}")
            self._in_row = False
        elif self._observed_at and self.depth < self._observed_at:
            self._observed_at = 0
        self.depth -= 1
        self.root_closed = not self.depth
