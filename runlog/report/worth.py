"""What running unattended brings, in the terminal, and as plain values for `--json`."""

from collections.abc import Iterator
from datetime import date
from typing import Any, Final

from rich.console import RenderableType
from rich.text import Text

from runlog.figures.worth import Worth
from runlog.report.rollups import Column, Grid, amount, section, text
from runlog.report.writing import number

LEGEND: Final = (
    "A week of all machines. Hours are of producing and reloading. What a cause takes is what its stops left of their"
    " nights, as far as time, bars and order allowed, less what other causes would have taken of it in turn."
)


def shown(review: Worth) -> Iterator[RenderableType]:
    """Heading, hours and parts by kind of time, what each cause takes."""
    if review.first is None or review.last is None:
        yield Text("No shift with a log in this time.")
        return
    yield Text(
        f"Unattended running, shifts from {_day(review.first)} to {_day(review.last)}, {number(review.weeks, 1)} weeks",
        style="bold",
    )
    if review.weeks < 1:
        yield Text("Less than a week of log: what is shown is scaled up to one.", style="yellow")
    if review.share is not None:
        yield Text(f"An attended hour comes with {number(review.share, 2)} unattended ones.")
    yield Grid(review.times, _times(review))
    yield from section("Hours that causes take", review.causes, _causes(review), "no unattended run was stopped")
    if review.hour_value is None:
        yield Text("Value is not known: --hour-value says what a machine hour is worth.")
    yield Text(LEGEND, style="dim")


def as_data(review: Worth) -> dict[str, Any]:
    """The same as plain values."""
    return {
        "first": review.first.isoformat() if review.first else None,
        "last": review.last.isoformat() if review.last else None,
        "weeks": review.weeks,
        "hour_value": review.hour_value,
        "currency": review.currency,
        "unattended_per_attended_hour": review.share,
        "times": review.times.to_dicts(),
        "causes": review.causes.to_dicts(),
    }


def _day(one: date) -> str:
    return f"{one:%a} {one.day} {one:%b %Y}"


def _times(review: Worth) -> list[Column]:
    return [
        ("what", text("time")),
        ("planned\nh", amount("planned_h", 1)),
        ("worked\nh", amount("worked_h", 1)),
        ("parts", amount("parts")),
        ("good\nparts", amount("good_parts")),
        (f"value\n{review.currency}", amount("value")),
    ]


def _causes(review: Worth) -> list[Column]:
    return [
        ("what", text("cause")),
        ("stops\nin all", amount("stops")),
        ("h lost", amount("lost_h", 1)),
        ("h gained\nwithout", amount("gained_h", 1)),
        ("parts\ngained", amount("gained_parts")),
        (f"{review.currency}\ngained", amount("gained_value")),
        ("unattended h\nwith", amount("with_h", 1)),
        ("without\nit", amount("without_h", 1)),
    ]
