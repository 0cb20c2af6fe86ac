"""What is remembered of documents, so that those that come after can be read on their own.

Documents of one instance of the agent go on from each other by their sequences. One that tells again what was told
before (`current` does, and answers that overlap) is followed as long as what it repeats is remembered: the last of
every item and condition, and the last few thousand of all.
"""

from dataclasses import asdict, dataclass, field
from typing import Any, Final

import polars as pl

from runlog.intake.carry import MOST_ITEMS, CannotFollowError
from runlog.intake.walk import Header, Part, Walk

CONTENT: Final = ("data_item", "timestamp", "tag", "said")
"""What makes an observation with the same sequence the same."""

_SEEN: Final = pl.Schema({"line": pl.Int64(), "content": pl.UInt64(), "told": pl.UInt64()})
_MOST_SEEN: Final = 2_000


@dataclass(frozen=True)
class Documents:
    """What documents showed of themselves and their agent.

    Attributes
    ----------
    instance : str
        The one under way.
    instances : list of str
        All so far.
    highest : int
        Sequence of its latest observation.
    header : list of str
        The last Header, see `walk.Header`.
    is_whole : bool
        Whether the document behind it left out no sequence.
    parts : list of list
        `walk.Part` of every component.
    turning : list of int
        Which of them are known for spindles.
    words : list of str
        Our words for them.
    standard, prefixes : list of str
        Prefixes of the standard, and those of makers.
    elements : int
        Elements so far.
    notes : list of str
        What was told of the file already.
    closed : bool
        Whether the last document ended as it should.
    seen : dict of str to list
        Of remembered observations their sequences, and what they are known again by.
    """

    instance: str
    instances: list[str]
    highest: int
    header: list[str]
    is_whole: bool
    parts: list[list[Any]]
    turning: list[int]
    words: list[str]
    standard: list[str]
    prefixes: list[str]
    elements: int
    notes: list[str]
    closed: bool
    seen: dict[str, list[int]] = field(repr=False)

    def onward(self) -> Walk:
        """A walk that goes on from here."""
        return Walk(
            parts={Part(*told): number for number, told in enumerate(self.parts)},
            turning={*self.turning},
            standard={*self.standard},
            elements=self.elements,
            follows=True,
            closed=True,
        )

    def last_header(self) -> Header:
        """The last Header, standing before all that comes."""
        return Header(0, *self.header)

    def check(self, found: Walk, words: list[str]) -> None:
        """CannotFollowError where new documents change how those before are read."""
        if found.said and not (found.headers and found.headers[0].place == 0):
            raise CannotFollowError("a document without a header")
        spoke = [header.instance for header, end in spans(found) if end > header.place]
        if ({*spoke} - {self.instance}) & {*self.instances}:
            raise CannotFollowError("an instance of the agent that comes back")
        if words[: len(self.words)] != self.words:
            raise CannotFollowError("components that were taken for others before")
        if (found.standard - {*self.standard}) & {*self.prefixes}:
            raise CannotFollowError("a prefix that was a maker's before")
        devices = {(part.device, part.uuid) for part in found.parts if not part.agent}
        if len(devices) > 1 and len({(told[0], told[1]) for told in self.parts if not told[-1]}) == 1:
            raise CannotFollowError("a second device")

    def told_again(self, ordered: pl.DataFrame) -> pl.DataFrame:
        """Mark what was told before as `copied`; CannotFollowError where that is not remembered.

        Needs `sequence`, `line`, `instance` and CONTENT in the order of sequences.
        """
        if ordered["sequence"].null_count():
            raise CannotFollowError("observations without a sequence")
        old = (ordered["instance"] == self.instance) & (ordered["line"] <= self.highest)
        if not old.any():
            return ordered
        again = ordered.filter(old).select("line", _hashed(*CONTENT).alias("content"))
        seen = pl.DataFrame(self.seen, schema=_SEEN)
        if again.join(seen, on=("line", "content"), how="anti").height:
            raise CannotFollowError("sequences that are not above those before")
        return ordered.with_columns(pl.col("copied") | old, pl.col("clashes") & ~old)


def spans(found: Walk) -> list[tuple[Header, int]]:
    """Each Header with the place behind the last observation it speaks for."""
    ends = [*(header.place for header in found.headers), len(found.said)][1:]
    return list(zip(found.headers, ends, strict=True))


def remember(
    found: Walk, ordered: pl.DataFrame, words: list[str], *, is_whole: bool, before: Documents | None
) -> dict[str, Any] | None:
    """What is remembered after some documents; None if what comes after them must be read with them.

    Parameters
    ----------
    found : Walk
        The documents.
    ordered : pl.DataFrame
        Their observations in the order of sequences.
    words : list of str
        Words for the components.
    is_whole : bool
        Whether the last document left out no sequence.
    before : Documents, optional
        What was remembered of documents before these.
    """
    header = found.headers[-1] if found.headers else before.last_header() if before else None
    followable = found.encoding == "utf-8" and not ordered["sequence"].null_count()
    if not followable or header is None or (found.headers and found.headers[0].place):
        return None
    spoke = [header.instance for header, end in spans(found) if end > header.place]
    instance = spoke[-1] if spoke else before.instance if before else ""
    own = ordered.filter(pl.col("instance") == instance)
    goes_on = before is not None and before.instance == instance
    seen = _seen(own, before.seen if before and goes_on else {})
    if seen.height > MOST_ITEMS:
        return None
    highest = [own["line"].max(), before.highest if before and goes_on else None]
    tags = {tag.rpartition(":")[0] for _, _, tag, *_ in found.kinds}
    return asdict(
        Documents(
            instance=instance,
            instances=[*dict.fromkeys([*(before.instances if before else []), *spoke])],
            highest=max((number for number in highest if number is not None), default=0),
            header=list(header[1:]),
            is_whole=is_whole,
            parts=[list(part) for part in found.parts],
            turning=sorted(found.turning),
            words=words,
            standard=sorted(found.standard),
            prefixes=sorted(({*before.prefixes} if before else set()) | tags - found.standard - {""}),
            elements=found.elements,
            notes=[*dict.fromkeys([*(before.notes if before else []), *found.notes])],
            closed=found.closed,
            seen=seen.to_dict(as_series=False),
        )
    )


def _seen(own: pl.DataFrame, before: dict[str, list[int]]) -> pl.DataFrame:
    """What is known again: sequences once each, the last of every item and condition, and the last of all."""
    told = _hashed("data_item", "native_code", "activation").alias("told")
    # What clashed, or was clashed with, is not one thing to know again.
    clashed = own.filter("clashes").select("line")
    news = own.filter(~pl.col("copied")).select("line", _hashed(*CONTENT).alias("content"), told)
    news = pl.concat([pl.DataFrame(before, schema=_SEEN), news.cast(_SEEN)]).join(clashed, on="line", how="anti")
    news = news.unique("line", keep="last").sort("line")
    is_last = pl.col("told").is_last_distinct()
    return news.filter(is_last | (pl.int_range(pl.len()).reverse() < _MOST_SEEN))


def _hashed(*names: str) -> pl.Expr:
    return pl.struct(names).hash()
