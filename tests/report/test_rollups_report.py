"""Roll-ups in words."""

import polars as pl

from runlog.report.rollups import doubts


def test_one_doubt_of_several_machines_is_one_line():
    rows = pl.DataFrame(
        {"machine": ["T01", "T02", "T03", "T04"], "thin_shifts": [0, 2, 0, 2], "doubted_standards": [1, 0, 1, 3]}
    )
    needs = "a standard time is longer than the machine needs."
    assert doubts(rows, ["machine"]) == [
        f"T01, T03: effectiveness above 100 % in 1 shift: {needs}",
        "T02, T04: 2 shifts with too little log; read the ratios with care.",
        f"T04: effectiveness above 100 % in 3 shifts: {needs}",
    ]


def test_groups_of_two_names_are_told_apart():
    rows = pl.DataFrame(
        {"machine": ["T01", "T02"], "job": ["bush", "pin"], "thin_shifts": [1, 1], "doubted_standards": [0, 0]}
    )
    said = doubts(rows, ["machine", "job"])
    assert said == ["T01, bush; T02, pin: 1 shift with too little log; read the ratios with care."]
