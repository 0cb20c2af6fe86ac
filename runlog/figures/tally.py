"""Faults and chances by group, counted again and again: rows hold numbers in the place of texts.

    tally = Tally.of(rows, dimensions)
    tally.counted(["machine", "diameter"], BY_RELOADS)
    tally.inside("machine", "T03").counted(["diameter"], BY_RELOADS)

Whoever looks for what is behind a group counts some of the rows dozens of times. So each row knows, once and for all,
which group of each dimension it is of, and which *cell*: the group's share of one machine's shift.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Final, Self

import numpy as np
import polars as pl
from numpy.typing import NDArray

from runlog.figures.judging import Measure
from runlog.statistics.proportions import Floats

UNIT: Final = ("machine", "shift_date", "shift")
"""Faults of one night hang together, so this is what groups are compared by."""

Numbers = NDArray[np.intp]
Rows = NDArray[np.bool_]
_UNKNOWN: Final = -1


@dataclass(frozen=True)
class _Places:
    """Where rows belong, in all dimensions: groups, units and cells have numbers of their own in each of them.

    Attributes
    ----------
    dimensions : list of str
    names : DataFrame
        dimension, group: one row a group, by dimension and name.
    groups, cells : ndarray
        Of each dimension (rows) and row of the tally (columns); _UNKNOWN where its group is not known.
    dimension_of : ndarray
        Of each group.
    group_of, unit_of : ndarray
        Of each cell.
    units : int
        In each dimension.
    """

    dimensions: list[str]
    names: pl.DataFrame
    groups: Numbers
    cells: Numbers
    dimension_of: Numbers
    group_of: Numbers
    unit_of: Numbers
    units: int

    @cached_property
    def named(self) -> list[tuple[str, str]]:
        """Dimension and name of each group."""
        return self.names.rows()

    @cached_property
    def numbers(self) -> dict[tuple[str, str], int]:
        """Of groups, by dimension and name."""
        return {name: number for number, name in enumerate(self.named)}


class Tally:
    """Rows of faults and chances that know their groups."""

    def __init__(self, faults: Floats, chances: Floats, rows: Numbers, places: _Places) -> None:
        self._faults, self._chances = faults, chances
        self._rows = rows
        self._places = places

    @classmethod
    def of(cls, rows: pl.DataFrame, dimensions: Iterable[str]) -> Self:
        """Make rows ready.

        Parameters
        ----------
        rows : DataFrame
            UNIT, faults, chances, and a text column a dimension: null where it is not known.
        dimensions : iterable of str
            What they may be grouped by.
        """
        names = list(dict.fromkeys(dimensions))
        keys = list(dict.fromkeys((*UNIT, *names)))
        merged = rows.group_by(keys, maintain_order=True).agg(pl.col("faults").sum(), pl.col("chances").sum())
        faults, chances = (merged[name].cast(pl.Float64).to_numpy() for name in ("faults", "chances"))
        return cls(faults, chances, np.arange(merged.height), _places(merged, names))

    def __len__(self) -> int:
        return self._rows.size

    def inside(self, dimension: str, group: str) -> Self:
        """Only rows of this group."""
        return self._some(self._are_of([(dimension, group)]))

    def without(self, groups: Sequence[tuple[str, str]]) -> Self:
        """All rows but those that are of all of these groups."""
        return self._some(~self._are_of(groups))

    def overlaps(
        self, groups: Iterable[tuple[str, str]], dimensions: Sequence[str], least: float
    ) -> list[tuple[str, str, str, str, float]]:
        """Groups of other dimensions that share at least this part of all chances that either of the two has.

        Returns
        -------
        list of tuple
            Dimension and group, those of the other, and the part shared. [0..1]
        """
        places, sizes, found = self._places, self._sizes(dimensions), []
        for one in groups:
            number = places.numbers[one]
            shared = self.inside(*one)._sizes(dimensions)
            whole = sizes[number] + sizes - shared
            part = np.divide(shared, whole, out=np.zeros_like(shared), where=whole > 0)
            other = (part >= least) & (places.dimension_of != places.dimension_of[number])
            found += [(*one, *places.named[near], float(part[near])) for near in np.flatnonzero(other)]
        return found

    def _sizes(self, dimensions: Sequence[str]) -> Floats:
        """Chances of every group there is in these dimensions, by its number."""
        groups, (chances,) = self._told(self._places.groups, dimensions, self._chances)
        return np.bincount(groups, chances, self._places.names.height).astype(np.float64, copy=False)

    def counted(self, dimensions: Sequence[str], measure: Measure) -> pl.DataFrame:
        """Faults and chances of every group, and of all others of its dimension together.

        Parameters
        ----------
        dimensions : sequence of str
            What to group by, one at a time.
        measure : Measure

        Returns
        -------
        DataFrame
            dimension, group, faults, chances, rest_faults, rest_chances, units, units_with_fault, rest_units,
            rest_units_with_fault, dispersion, compared (there are others).
        """
        groups = self._groups(dimensions)
        # Squares of faults against what is expected, sum((f - e)^2 / e) with e = share * chances, from sums alone.
        share = pl.col("faults") / pl.col("chances")
        spread = pl.col("squares") / share - 2 * pl.col("timed_faults") + pl.col("faults")
        spread = spread / (1 - share) if measure.at_most_one else spread
        varies = (share > 0) & (pl.col("units") > 1) & ((share < 1) if measure.at_most_one else True)
        return (
            groups.lazy()
            .select(
                "dimension",
                "group",
                "chances",
                "units",
                "units_with_fault",
                pl.col("faults").cast(pl.Int64),
                rest_faults=(pl.col("faults").sum().over("dimension") - pl.col("faults")).cast(pl.Int64),
                rest_chances=pl.col("chances").sum().over("dimension") - pl.col("chances"),
                rest_units=pl.col("all_units") - pl.col("only_here"),
                rest_units_with_fault=pl.col("all_bad") - pl.col("bad_only_here"),
                dispersion=pl.when(varies).then((spread / (pl.col("units") - 1)).clip(lower_bound=1)).otherwise(1.0),
            )
            .with_columns(
                compared=(pl.col("rest_units") > 0) & (pl.col("rest_chances") > 1e-9) & (pl.col("chances") > 0)
            )
            .collect()
        )

    def _groups(self, dimensions: Sequence[str]) -> pl.DataFrame:
        """Sums of every group with a row; `all_units` and `all_bad` of its dimension."""
        places = self._places
        of_rows, values = self._told(places.cells, dimensions, self._faults, self._chances)
        cells, (faults, chances) = _sums(of_rows, places.group_of.size, *values)
        group, unit = places.group_of[cells], places.unit_of[cells]
        # One row a dimension, one column a unit.
        shape = len(places.dimensions), places.units
        in_unit = np.bincount(unit, minlength=shape[0] * shape[1])
        faults_in_unit = np.bincount(unit, faults, in_unit.size)
        bad, timed = faults > 0, chances > 0
        squares = np.divide(faults**2, chances, out=np.zeros_like(faults), where=timed)
        there, sums = _sums(group, places.names.height, faults, chances, squares, np.where(timed, faults, 0.0))
        flags = {
            "units_with_fault": bad,
            "only_here": in_unit[unit] == 1,
            "bad_only_here": bad & (faults_in_unit[unit] == faults),
        }
        counts = {name: np.bincount(group[flag], minlength=places.names.height)[there] for name, flag in flags.items()}
        wholes = {"all_units": in_unit, "all_bad": faults_in_unit}
        of_dimension = {name: np.count_nonzero(of.reshape(shape), axis=1) for name, of in wholes.items()}
        columns = {
            **dict(zip(("faults", "chances", "squares", "timed_faults"), sums, strict=True)),
            "units": np.bincount(group)[there],
            **counts,
            **{name: of[places.dimension_of[there]] for name, of in of_dimension.items()},
        }
        return places.names[there].with_columns(**{name: pl.Series(of) for name, of in columns.items()})

    def _told(self, places: Numbers, dimensions: Sequence[str], *values: Floats) -> tuple[Numbers, list[Floats]]:
        """Places of the rows in these dimensions where they are known, end to end, and the rows' values beside them."""
        chosen = [self._places.dimensions.index(name) for name in dict.fromkeys(dimensions)]
        found = places[chosen][:, self._rows]
        told = found != _UNKNOWN
        return found[told], [np.broadcast_to(one[self._rows], found.shape)[told] for one in values]

    def _some(self, rows: Rows) -> Self:
        return type(self)(self._faults, self._chances, self._rows[rows], self._places)

    def _are_of(self, groups: Sequence[tuple[str, str]]) -> Rows:
        found = np.ones(self._rows.size, bool)
        for dimension, group in groups:
            of = self._places.groups[self._places.dimensions.index(dimension)]
            found &= of[self._rows] == self._places.numbers.get((dimension, group), self._places.names.height)
        return found


def _sums(places: Numbers, size: int, *values: Floats) -> tuple[Numbers, list[Floats]]:
    """Which places there are, and the sums of values in each of them."""
    there: Numbers = np.flatnonzero(np.bincount(places, minlength=size))
    return there, [np.bincount(places, one, size)[there].astype(np.float64, copy=False) for one in values]


def _places(rows: pl.DataFrame, dimensions: list[str]) -> _Places:
    unit = rows.select(pl.struct(UNIT).rank("dense") - 1).to_series().to_numpy().astype(np.intp)
    units = unit.max(initial=0) + 1
    named = {name: rows[name].drop_nulls().unique().sort() for name in dimensions}
    begins = np.cumsum([0, *map(len, named.values())])
    groups = np.array(
        [
            rows[name].cast(pl.Enum(of)).to_physical().cast(pl.Int64).fill_null(_UNKNOWN - begin) + begin
            for (name, of), begin in zip(named.items(), begins[:-1], strict=True)
        ],
        dtype=np.intp,
    )
    told = groups != _UNKNOWN
    keys, numbers = np.unique((groups * units + unit)[told], return_inverse=True)
    cells = np.full(groups.shape, _UNKNOWN)
    cells[told] = numbers
    group_of, unit = np.divmod(keys, units)
    dimension_of = np.repeat(np.arange(len(named)), np.diff(begins))
    return _Places(
        dimensions=dimensions,
        names=pl.concat(
            pl.DataFrame({"group": of}).select(dimension=pl.lit(name), group="group") for name, of in named.items()
        ),
        groups=groups,
        cells=cells,
        dimension_of=dimension_of,
        group_of=group_of,
        unit_of=unit + units * dimension_of[group_of],
        units=units,
    )
