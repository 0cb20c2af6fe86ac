"""What the derivation needs and a file lacks, in words a person at a machine would use."""

import polars as pl

from runlog.intake.vocabulary import CONDITION, UNAVAILABLE


def lacking(events: pl.DataFrame) -> list[str]:
    """One sentence for each thing that the events of a file cannot tell, the gravest first.

    Parameters
    ----------
    events : pl.DataFrame
        EVENTS of one file.

    Returns
    -------
    list of str
    """
    has = _Has(events)
    return [
        sentence
        for missing, sentence in (
            (
                not has.item("EXECUTION"),
                "no EXECUTION: no spans, so nothing can be said of running, standing and stops",
            ),
            *_parts(has),
            (not has.item("PROGRAM"), "no PROGRAM: all parts are of one unknown job; plans cannot be compared"),
            *_bars(has),
            (
                not has.item(CONDITION),
                "no CONDITION (alarms): stops have no cause but those told by door, emergency stop and mode",
            ),
            (
                not has.any_of("DOOR_STATE", "CONTROLLER_MODE", "OPERATOR_ID", "USER", "KEY_PRESSED"),
                "no door, mode, operator nor key: visits are not seen, what is attended is told by the shift plan only",
            ),
            (not has.item("CONTROLLER_MODE"), "no CONTROLLER_MODE: setting by hand is not told from stopping"),
            (not has.item("ROTARY_VELOCITY"), "no ROTARY_VELOCITY: turning time is not measured"),
            (not has.item("EMERGENCY_STOP"), "no EMERGENCY_STOP: such a stop looks like any other"),
            (
                not has.said(UNAVAILABLE) and not has.item("AVAILABILITY"),
                "no AVAILABILITY and no UNAVAILABLE: a lost signal looks like a machine that keeps its state",
            ),
        )
        if missing
    ]


def _parts(has: "_Has") -> list[tuple[bool, str]]:
    counted = has.item("PART_COUNT", "ALL", "COMPLETE", "GOOD", "BAD", "REMAINING", "")
    ended = has.said("PROGRAM_COMPLETED")
    how = "parts from completed programs" if ended else "parts from stretches of ACTIVE that end in READY or STOPPED"
    return [
        (not counted and has.item("EXECUTION"), f"no part counter: {how}"),
        (not counted and not has.item("EXECUTION"), "no part counter: no parts"),
        (counted and not has.moves("PART_COUNT"), f"a part counter that never moves here: if it stays so, {how}"),
        (counted and not has.item("PART_COUNT", "GOOD", "BAD"), "no GOOD or BAD counter: quality is not measured"),
    ]


def _bars(has: "_Has") -> list[tuple[bool, str]]:
    spoken = has.any_of("END_OF_BAR", "MATERIAL_CHANGE", "MATERIAL_LOAD")
    measured = has.item("LENGTH", "REMAINING")
    counted = has.item("PART_COUNT", "REMAINING", component="feeder")
    return [
        (
            not spoken and measured,
            "no END_OF_BAR nor MATERIAL_CHANGE: reloads are told by jumps of the remaining length only",
        ),
        (
            not spoken and not measured and counted,
            "no END_OF_BAR nor MATERIAL_CHANGE: reloads are told by the feeder's counter only",
        ),
        (
            not spoken and not measured and not counted,
            "no END_OF_BAR nor MATERIAL_CHANGE: no reloads, so no bars and no remnants",
        ),
        (not measured, "no LENGTH REMAINING: the remnant is inferred from the parts made, not measured"),
        (not has.item("LENGTH", "STANDARD"), "no LENGTH STANDARD: bars are taken to be as long as planned"),
        (not has.item("BARS_LOADED"), "no BARS_LOADED (setup notes): when the magazine should be empty is not known"),
    ]


class _Has:
    """What the events hold."""

    def __init__(self, events: pl.DataFrame) -> None:
        self._events = events
        self._kinds = set(events.select("item", "sub_type", "component").unique().rows())

    def item(self, item: str, *sub_types: str, component: str = "") -> bool:
        return any(
            found == item and (not sub_types or sub in sub_types) and component in ("", where)
            for found, sub, where in self._kinds
        )

    def any_of(self, *items: str) -> bool:
        return any(self.item(item) for item in items)

    def said(self, text: str) -> bool:
        return bool((self._events["text"] == text).any())

    def moves(self, item: str) -> bool:
        told = self._events.filter((pl.col("item") == item) & pl.col("number").is_not_null())
        return bool((told.group_by("data_item").agg(pl.col("number").n_unique())["number"] > 1).any())
