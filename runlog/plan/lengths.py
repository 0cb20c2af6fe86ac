"""Stock along the bar: pitch, parts from a bar, what is left of it, what it weighs.

Arithmetic of lengths is done in micrometres, whole numbers, so that an exact fit is not lost to binary
fractions (65 parts of 43 mm in 2795 mm are 65, not 64). Each formula holds for a number and for a column.
"""

import math
from typing import Final, TypeVar

import polars as pl

Whole = TypeVar("Whole", int, pl.Expr)
"""A length in micrometres or a count, or a column of them."""

CROSS_SECTION_FACTOR: Final = {"round": math.pi / 4, "hexagon": math.sqrt(3) / 2, "square": 1.0}
"""Section area over the square of the width across flats or diameter."""

INCH_MM: Final = 25.4


def um(length_mm: float) -> int:
    """A length in whole micrometres. [um]"""
    return round(length_mm * 1000)


def parts_from(bar_um: Whole, top_cut_um: int, minimum_remnant_um: int, pitch_um: int) -> Whole:
    """Parts that fit into a bar, floor((bar - top cut - minimum remnant) / pitch); below 0 where nothing fits.

    Examples
    --------
    >>> parts_from(1_200_000, 5_000, 90_000, 45_500)
    24
    """
    return (bar_um - top_cut_um - minimum_remnant_um) // pitch_um


def left_of(bar_um: Whole, top_cut_um: int, parts: Whole, pitch_um: int) -> Whole:
    """What is left of a bar after its top cut and so many parts. [um]

    Examples
    --------
    >>> left_of(1_200_000, 5_000, 24, 45_500)
    103000
    """
    return bar_um - top_cut_um - parts * pitch_um


def mass_kg_per_m(section: str, width_mm: float, density_kg_dm3: float) -> float:
    """Mass of bar stock per metre. [kg/m]

    Parameters
    ----------
    section : {"round", "hexagon", "square"}
        Shape.
    width_mm : float
        Diameter, or width across flats. [mm]
    density_kg_dm3 : float
        Density. [kg/dm3]

    References
    ----------
    EN 10060 (round bars) prints the same masses to three figures for 7.85 kg/dm3.

    Examples
    --------
    >>> round(mass_kg_per_m("round", 20, 7.85), 3)
    2.466
    """
    return CROSS_SECTION_FACTOR[section] * width_mm**2 * density_kg_dm3 / 1000


def allowance_share(part_and_parting_mm: float) -> float:
    """Share of the stock that the trade's rule of thumb allows for bar ends and scrap.

    For bars bought long (10 to 12 ft) and fed whole: a bar sawn to spindle length loses more. A length on the border
    of two classes, which the source counts in both, is given the larger share.

    Parameters
    ----------
    part_and_parting_mm : float
        Finished part and cut-off together. [mm]

    References
    ----------
    PMPA (Precision Machined Products Association), "How much stock is required", productionmachining.com: under 2 in
    5 %, 2 to 3 in 6.5 %, 3 to 4 in 8.5 %, 4 in and over 10 %.

    Examples
    --------
    >>> allowance_share(45.0), allowance_share(101.6)
    (0.05, 0.1)
    """
    classes = ((2, 0.05), (3, 0.065), (4, 0.085))
    return next((share for inches, share in classes if part_and_parting_mm < inches * INCH_MM), 0.10)
