"""Numbers as people's programs write them: decimal comma, thousands marks."""

from typing import Final, NamedTuple

import polars as pl

from runlog.intake.carry import CannotFollowError
from runlog.intake.vocabulary import CONDITION, FREE_TEXT, LISTED

_GROUP_MARKS: Final = "[ '\u00a0\u202f\u2019]"
_COMMA: Final = r"^[+-]?\d+,\d+$"
_GROUPED: Final = {
    ",": r"^[+-]?\d{1,3}(\.\d{3})+(,\d+)?$",
    ".": r"^[+-]?\d{1,3}(,\d{3})+(\.\d+)?$",
}
"""By decimal mark: numbers whose thousands the other mark parts."""
_SURE: Final = {
    ",": r"^[+-]?\d+,(\d{1,2}|\d{4,})$|^[+-]?\d{1,3}(\.\d{3})+,\d+$|^[+-]?\d{1,3}(\.\d{3}){2,}$|^0,\d+$",
    ".": r"^[+-]?\d+\.(\d{1,2}|\d{4,})$|^[+-]?\d{1,3}(,\d{3})+\.\d+$|^[+-]?\d{1,3}(,\d{3}){2,}$|^0\.\d+$",
}
"""By decimal mark: numbers that can be written with that mark only. `1,234` can be with both."""


class Mark(NamedTuple):
    """A decimal mark, and whether numbers of the file show it."""

    mark: str
    is_sure: bool


def with_numbers(
    observations: pl.DataFrame, delimiter: str, decimal: str | None, before: Mark | None = None
) -> tuple[pl.DataFrame, Mark | None]:
    """Fill in `number` where marks kept it from being read.

    Parameters
    ----------
    observations : pl.DataFrame
        With `text`, `item` and `number`.
    delimiter : str
        Of the file: where it is no comma, a comma in a number is likelier the decimal one.
    decimal : str, optional
        The decimal mark, where the source tells it.
    before : Mark, optional
        That of what stood before in the file.

    Returns
    -------
    pl.DataFrame, and Mark or None
        The mark that holds from there on; None if no number has shown a need for one.

    Raises
    ------
    CannotFollowError
        The numbers show another mark than those before.
    """
    names = pl.col("item").is_in(sorted(FREE_TEXT | LISTED | {CONDITION}))
    marked = ~names & pl.col("text").str.contains(r"\d[.,]\d|\d" + _GROUP_MARKS + r"\d")
    rows = observations.select(marked.fill_null(value=False)).to_series().arg_true()
    if not rows.len():
        return observations, before
    text = observations["text"].gather(rows).str.strip_chars()
    bare = text.str.replace_all(_GROUP_MARKS, "")
    blanks = text.str.contains(rf"^[+-]?\d{{1,3}}({_GROUP_MARKS}\d{{3}})+([.,]\d+)?$")
    text = bare.zip_with(blanks, text)
    found = Mark(decimal, True) if decimal else decimal_mark(text, delimiter)
    mark = _kept(before, found)
    number = observations["number"]
    read = number.scatter(rows, _read(text, mark.mark, number.gather(rows)))
    return observations.with_columns(read.alias("number")), mark


def _kept(before: Mark | None, found: Mark) -> Mark:
    if before is None or found == before:
        return found
    if found.is_sure and found.mark != before.mark:
        raise CannotFollowError("numbers with another decimal mark than those before")
    return Mark(before.mark, before.is_sure or found.is_sure)


def decimal_mark(text: pl.Series, delimiter: str) -> Mark:
    """The decimal mark of a file: what most numbers that tell it have, else what its delimiter makes likely."""
    commas, points = (int(text.str.contains(_SURE[mark]).sum()) for mark in (",", "."))
    if commas != points:
        return Mark("," if commas > points else ".", True)
    return Mark("." if delimiter == "," else ",", False)


def _read(text: pl.Series, mark: str, plain: pl.Series) -> pl.Series:
    """Numbers of text with this decimal mark; what does not fit it is as it was read before."""
    other = "." if mark == "," else ","
    grouped = text.str.contains(_GROUPED[mark])
    # Where nothing tells otherwise, a single comma is decimal and a single point, too: `3,5` and `3.5`.
    comma = text.str.contains(_COMMA) & ~grouped
    bare = text.zip_with(~grouped, text.str.replace_all(other, "", literal=True))
    bare = bare.zip_with(~(grouped | comma), bare.str.replace(",", ".", literal=True))
    read = bare.cast(pl.Float64, strict=False)
    finite = read.is_finite().fill_null(value=False)
    return read.zip_with(finite, plain)


def sure_mark(text: pl.Series) -> str | None:
    """The decimal mark that some of these numbers can have only; None if there are none, or of both kinds."""
    shown = [mark for mark, form in _SURE.items() if text.str.contains(form).any()]
    return shown[0] if len(shown) == 1 else None
