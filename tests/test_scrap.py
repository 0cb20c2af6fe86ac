"""Scrap lists as files: what is read, and what each mistake says."""

from datetime import date
from pathlib import Path

import pytest
from derive.literal import SITE

from runlog.errors import ReadingError
from runlog.scrap import read_scrap
from runlog.site import parse_site
from runlog.store import Store

SHOP = parse_site(SITE)
HEAD = "date,shift,machine,job,quantity,reason\n"


def listed(folder: Path, text: str) -> Path:
    file = folder / "scrap.csv"
    file.write_text(text, encoding="utf-8")
    return file


def test_a_list_as_it_is_written(tmp_path: Path):
    file = listed(
        tmp_path, "Machine;Job;Shift;Date;Quantity\n T01 ;pin;night;12.01.2026;3\nT01;cap;night;2026-01-13;0\n\n"
    )
    rows = read_scrap(file, SHOP)
    assert rows.select("shift_date", "shift", "machine", "job", "quantity", "reason", "line").rows() == [
        (date(2026, 1, 12), "night", "T01", "pin", 3, None, 2),
        (date(2026, 1, 13), "night", "T01", "cap", 0, None, 3),
    ]


@pytest.mark.parametrize(
    ("row", "said"),
    [
        ("2026-13-01,night,T01,pin,1,", "line 2: date: '2026-13-01' found, a date such as 2026-11-23 expected"),
        ("2026-01-12,nite,T01,pin,1,", "line 2: shift: 'nite' found, one of night, day expected"),
        ("2026-01-12,night,T09,pin,1,", "line 2: machine: 'T09' found, one of T01 expected"),
        ("2026-01-12,night,T01,nut,1,", "line 2: job: 'nut' found, one of pin, cap expected"),
        ("2026-01-12,night,T01,pin,-1,", "line 2: quantity: '-1' found, a whole number of parts, 0 or more, expected"),
        ("2026-01-12,night,T01,pin,1.5,", "line 2: quantity: '1.5' found, a whole number of parts"),
        ("2026-01-12,night,T01,pin,,", "line 2: quantity: nothing found"),
        ("2026-01-12,night,T01,pin,1,burr\n2026-01-12,night,T01,pin,2,burr", "line 3: reason: 'burr' found, once for"),
    ],
)
def test_a_mistake_names_its_place_and_what_is_expected(row: str, said: str, tmp_path: Path):
    with pytest.raises(ReadingError) as caught:
        read_scrap(listed(tmp_path, HEAD + row + "\n"), SHOP)
    assert f"scrap.csv: {said}" in str(caught.value)


def test_all_mistakes_are_told_at_once(tmp_path: Path):
    with pytest.raises(ReadingError) as caught:
        read_scrap(listed(tmp_path, f"{HEAD}x,night,T01,pin,1,\n2026-01-12,night,T09,pin,many,\n"), SHOP)
    assert len(str(caught.value).splitlines()) == 3


def test_a_missing_column_is_named(tmp_path: Path):
    with pytest.raises(ReadingError, match="also these expected: quantity"):
        read_scrap(listed(tmp_path, "date,shift,machine,job\n2026-01-12,night,T01,pin\n"), SHOP)


def test_a_list_read_twice_counts_once_and_a_correction_corrects(tmp_path: Path):
    store = Store(tmp_path / "store")
    by = ("machine", "shift_date", "shift")
    first = read_scrap(listed(tmp_path, f"{HEAD}2026-01-12,night,T01,pin,3,burr\n2026-01-13,night,T01,pin,1,\n"), SHOP)
    for _ in range(2):
        store.put("scrap", first, by=by)
    assert store.held("scrap").collect()["quantity"].to_list() == [3, 1]
    version = store.version()
    store.put("scrap", read_scrap(listed(tmp_path, f"{HEAD}2026-01-12,night,T01,cap,5,\n"), SHOP), by=by)
    held = store.held("scrap").sort("shift_date").collect()
    assert list(held.select("job", "quantity").iter_rows()) == [("cap", 5), ("pin", 1)]
    assert store.version() != version
