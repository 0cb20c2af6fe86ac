"""From files to facts: what is new is read once, and the order and the portions of files change nothing."""

import os
from pathlib import Path

import polars as pl
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from polars.testing import assert_frame_equal
from watch.shop import HEADER, SHOP

from runlog import pipeline
from runlog.pipeline import IngestReport, Step, choice, ingest, rederive
from runlog.schema import FACT_TABLES
from runlog.site import Site
from runlog.store import Store

NIGHT = HEADER + "".join(
    f"2026-03-02T22:{minute:02}:{second},{signal},{value}\n"
    for minute in range(40)
    for second, signal, value in (
        ("00", "program", "O1"),
        ("01", "execution", "ACTIVE"),
        ("30", "load", "12.5"),
        ("58", "execution", "READY"),
        ("58", "part_count", str(minute + 1)),
    )
)
LINES = """\
2026-03-02T22:00:00Z|execution|ACTIVE
2026-03-02T22:10:00Z|execution|READY
2026-03-02T22:10:01Z|execution|ACTIVE
2026-03-02T22:20:00Z|execution|READY
"""


def taken(folder: Path, store: Store, site: Site = SHOP) -> IngestReport:
    return ingest([folder], site, store, base=folder)


def write(folder: Path, **files: str) -> Path:
    folder.mkdir(parents=True, exist_ok=True)
    for name, text in files.items():
        (folder / name.replace("__", ".")).write_text(text)
    return folder


def told(store: Store) -> pl.DataFrame:
    """Distinct events without what only says where they stood."""
    where = ("source", "file", "line", "cell", "body_start")
    return store.events().drop(where).collect().sort("machine", "at", "data_item", "text")


# --- one run -----------------------------------------------------------------------------------------


def test_a_folder_becomes_facts(tmp_path: Path):
    logs = write(tmp_path / "logs", T01__csv=NIGHT, T02__log=LINES, readme__txt="hello")
    store = Store(tmp_path / "store")
    steps: list[Step] = []
    report = ingest([logs], SHOP, store, base=tmp_path, progress=steps.append)
    assert report.progress.select("path", "rows", "offered", "rejects").rows() == [
        ("T01.csv", 200, 200, 0),
        ("T02.log", 4, 4, 0),
    ]
    # Of the program's 40 lines, 39 repeat the one before; so do 39 of the load.
    assert report.progress["unchanged"].to_list() == [78, 0]
    assert report.unclaimed == [logs / "readme.txt"]
    assert (report.unchanged, report.skipped, report.derived) == ([], [], True)
    assert [(step.done, step.total, step.path.name) for step in steps] == [(1, 2, "T01.csv"), (2, 2, "T02.log")]
    assert store.fact("parts").collect().height == 40 - 1
    assert set(store.fact("spans").collect()["machine"]) == {"T01", "T02"}


def test_a_second_run_does_nothing(tmp_path: Path):
    logs = write(tmp_path / "logs", T01__csv=NIGHT)
    store = Store(tmp_path / "store")
    taken(logs, store)
    before = store.version()
    report = taken(logs, store)
    assert (report.unchanged, report.derived, report.progress.height) == ([logs / "T01.csv"], False, 0)
    assert store.version() == before


def test_a_file_under_another_name_adds_nothing(tmp_path: Path):
    logs = write(tmp_path / "logs", T01__csv=NIGHT)
    store = Store(tmp_path / "store")
    taken(logs, store)
    (logs / "T01.csv").rename(logs / "T01 old.csv")
    assert taken(logs, store).unchanged == [logs / "T01 old.csv"]


def test_a_grown_file_counts_once_and_its_torn_line_is_gone(tmp_path: Path):
    logs = write(tmp_path / "logs", T01__csv=NIGHT[:-2])
    store, whole = Store(tmp_path / "store"), Store(tmp_path / "whole")
    taken(logs, store)
    assert store.events().filter(pl.col("text") == "4").collect().height == 2
    report = taken(write(logs, T01__csv=NIGHT), store)
    assert report.progress.height == store.progress().collect().height == 1
    taken(logs, whole)
    assert_frame_equal(told(store), told(whole))
    assert store.events().filter(pl.col("text") == "4").collect().height == 1


def test_the_beginning_of_another_file_of_the_run_is_left_alone(tmp_path: Path):
    logs = write(tmp_path / "logs", T01__csv=NIGHT, T01b__csv=NIGHT[:2000], T01c__csv=HEADER)
    store = Store(tmp_path / "store")
    report = taken(logs, store)
    assert report.progress["path"].to_list() == ["T01.csv"]
    assert report.unchanged == [logs / "T01b.csv", logs / "T01c.csv"]
    assert taken(logs, store).progress.height == 0


def test_a_file_that_cannot_be_read_is_told_and_the_others_go_on(tmp_path: Path):
    logs = write(tmp_path / "logs", T01__csv=NIGHT, T01a__csv="when,what\n1,2\n")
    report = ingest([logs, tmp_path / "gone"], SHOP, Store(tmp_path / "store"), base=tmp_path)
    assert report.progress["path"].to_list() == ["T01.csv"]
    assert [(skipped.path.name, skipped.reason[:30]) for skipped in report.skipped] == [
        ("gone", "no file or folder of this name"),
        ("T01a.csv", "columns when, what found, 'tim"),
    ]


@pytest.mark.skipif(os.name == "nt" or os.getuid() == 0, reason="everything is readable to this user")
def test_a_file_that_may_not_be_read_is_told(tmp_path: Path):
    logs = write(tmp_path / "logs", T01__csv=NIGHT)
    (logs / "T01.csv").chmod(0)
    assert taken(logs, Store(tmp_path / "store")).skipped[0].reason.startswith("Permission denied found")


def test_nothing_to_read_is_no_error_and_makes_no_store(tmp_path: Path):
    store = Store(tmp_path / "store")
    report = taken(write(tmp_path / "logs"), store)
    assert (report.progress.height, report.derived, store.exists()) == (0, False, False)


def test_hidden_files_and_the_store_itself_are_passed_over(tmp_path: Path):
    logs = write(tmp_path, T01__csv=NIGHT)
    (tmp_path / ".T01.csv").write_text("when\n")
    store = Store(tmp_path / "store")
    taken(logs, store)
    assert taken(logs, store).unclaimed == []


def test_facts_left_behind_by_a_run_that_died_are_made_by_the_next(tmp_path: Path, monkeypatch):
    logs = write(tmp_path / "logs", T01__csv=NIGHT)
    store = Store(tmp_path / "store")
    with monkeypatch.context() as patch:
        patch.setattr(pipeline, "rederive", lambda site, store: 1 / 0)
        with pytest.raises(ZeroDivisionError):
            taken(logs, store)
    assert not store.facts_are_current()
    assert taken(logs, store).derived
    assert store.facts_are_current()


def test_small_batches_give_the_same(tmp_path: Path, monkeypatch):
    cuts = [0, 1500, 3000, len(NIGHT)]
    rows = NIGHT.splitlines(keepends=True)[1:]
    logs = tmp_path / "logs"
    for number in range(len(cuts)):
        write(logs, **{f"T01 {number}__csv": HEADER + "".join(rows[number * 50 : (number + 1) * 50])})
    one, many = Store(tmp_path / "one"), Store(tmp_path / "many")
    taken(logs, one)
    monkeypatch.setattr(pipeline, "BATCH_EVENTS", 1)
    taken(logs, many)
    assert_frame_equal(told(one), told(many))


# --- many runs ---------------------------------------------------------------------------------------


def facts(store: Store) -> dict[str, pl.DataFrame]:
    return {name: frame.collect().sort(frame.collect_schema().names()) for name, frame in store.facts().items()}


@settings(max_examples=4, deadline=None)
@given(st.lists(st.integers(1, len(NIGHT) - 1), max_size=3), st.booleans(), st.randoms(use_true_random=False))
def test_one_file_in_growing_pieces_gives_the_same(tmp_path_factory, cuts, renamed, random):
    base = tmp_path_factory.mktemp("pieces")
    whole, store = Store(base / "whole"), Store(base / "store")
    taken(write(base / "all", T01__csv=NIGHT, T02__log=LINES), whole)
    for number, cut in enumerate([*sorted(cuts), len(NIGHT)]):
        name = f"T01 {random.randint(0, 9)} {number}__csv" if renamed else "T01__csv"
        taken(write(base / f"logs {number}", **{name: NIGHT[:cut]}), store)
    taken(write(base / "last", T02__log=LINES), store)
    assert_frame_equal(told(store), told(whole))
    made, wanted = facts(store), facts(whole)
    for table in FACT_TABLES:
        assert_frame_equal(made[table.name], wanted[table.name])


def other_day(rows: list[str]) -> str:
    """The same rows a day later."""
    return "".join(rows).replace("2026-03-02", "2026-03-03")


def test_a_log_cut_short_and_written_on_loses_nothing_when_what_it_was_comes_back(tmp_path: Path):
    """Both begin alike and go on differently: neither takes away what the other adds."""
    rows = NIGHT.splitlines(keepends=True)
    store, whole = Store(tmp_path / "store"), Store(tmp_path / "whole")
    before, short = NIGHT, "".join(rows[:60])
    logs = write(tmp_path / "logs", T01__csv=before)
    taken(logs, store)
    taken(write(logs, T01__csv=short), store)
    taken(write(logs, **{"T01__csv": short + other_day(rows[1:40]), "T01 back__csv": before}), store)
    taken(logs, store)
    taken(logs, whole)
    assert_frame_equal(told(store), told(whole))


def test_a_last_line_without_its_end_stays_when_what_the_log_was_comes_back(tmp_path: Path):
    """The log was cut short and goes on with a line of its own, whose line feed never came."""
    rows = NIGHT.splitlines(keepends=True)
    store, whole = Store(tmp_path / "store"), Store(tmp_path / "whole")
    short = "".join(rows[:60])
    logs = write(tmp_path / "logs", T01__csv=NIGHT)
    taken(logs, store)
    taken(write(logs, T01__csv=short), store)
    taken(write(logs, T01__csv=short + "2026-03-03T22:00:00,program,O7"), store)
    taken(write(logs, **{"T01 back__csv": NIGHT}), store)
    taken(logs, store)
    taken(logs, whole)
    assert_frame_equal(told(store), told(whole))


def test_of_two_files_that_go_on_from_one_beginning_both_are_whole(tmp_path: Path):
    rows = NIGHT.splitlines(keepends=True)
    store, whole = Store(tmp_path / "store"), Store(tmp_path / "whole")
    begun = "".join(rows[:60])
    taken(write(tmp_path / "logs", T01__csv=begun), store)
    two = {"T01__csv": begun + "".join(rows[60:90]), "T01 b__csv": begun + other_day(rows[1:40])}
    logs = write(tmp_path / "logs", **two)
    taken(logs, store)
    taken(logs, store)
    taken(logs, whole)
    assert_frame_equal(told(store), told(whole))


def test_a_torn_last_line_goes_when_another_file_goes_on_from_what_stood_before_it(tmp_path: Path):
    rows = NIGHT.splitlines(keepends=True)
    store, whole = Store(tmp_path / "store"), Store(tmp_path / "whole")
    begun = "".join(rows[:61])
    logs = write(tmp_path / "logs", T01__csv=begun + "2026-03-02T22:12:00")
    taken(logs, store)
    assert store.rejects().select("raw").collect()["raw"].to_list() == ["2026-03-02T22:12:00"]
    # By name the other file comes first.
    taken(write(logs, **{"T01__csv": "".join(rows[:90]), "T01 again__csv": begun + other_day(rows[1:40])}), store)
    taken(logs, whole)
    assert store.rejects().collect().is_empty()
    assert_frame_equal(told(store), told(whole))


def test_what_comes_between_the_look_and_the_reading_is_left_for_the_next_run(tmp_path: Path, monkeypatch):
    """A log is away, and is copied back while we look: it must not become another file with the same rows."""
    rows = NIGHT.splitlines(keepends=True)
    rows[30] = "a line that nobody understands\n"
    night, short = "".join(rows), "".join(rows[:60]) + "2026-03-02T22:1"
    store, whole = Store(tmp_path / "store"), Store(tmp_path / "whole")
    logs = write(tmp_path / "logs", T01__csv="".join(rows[:90]))
    taken(logs, store)
    taken(write(logs, T01__csv=night), store)
    (logs / "T01.csv").unlink()
    back = write(logs, **{"T01 back__csv": short}) / "T01 back.csv"
    opened = pipeline.read_pieces

    def grown(path, *args, **more):
        back.write_text(night)
        return opened(path, *args, **more)

    with monkeypatch.context() as patch:
        patch.setattr(pipeline, "read_pieces", grown)
        taken(logs, store)
    taken(logs, store)
    taken(logs, whole)
    assert_frame_equal(told(store), told(whole))
    assert [one.rejects().collect()["raw"].to_list() for one in (store, whole)] == [[rows[30].strip()]] * 2


def test_a_file_read_anew_takes_nothing_from_the_one_that_went_on_from_it(tmp_path: Path):
    """A copy of an earlier state is looked at alone, and begins as a file did that was caught half written."""
    rows = NIGHT.splitlines(keepends=True)
    store, whole = Store(tmp_path / "store"), Store(tmp_path / "whole")
    short = "".join(rows[:60])
    logs = write(tmp_path / "logs", **{"T01 copy__csv": short})
    taken(logs, store)
    taken(write(logs, T01__csv=NIGHT), store)
    caught = write(logs, **{"T01 new__csv": short[:1000]}) / "T01 new.csv"
    ingest([caught], SHOP, store, base=logs)
    ingest([logs / "T01 copy.csv"], SHOP, store, base=logs)
    taken(logs, whole)
    assert_frame_equal(told(store), told(whole))


def test_a_torn_file_read_anew_takes_nothing_from_the_one_that_went_on_from_its_lines(tmp_path: Path):
    """It is looked at alone, after another went on from its whole lines, and with a copy of it half made."""
    rows = NIGHT.splitlines(keepends=True)
    store, whole = Store(tmp_path / "store"), Store(tmp_path / "whole")
    begun = "".join(rows[:60])
    logs = write(tmp_path / "logs", **{"T01 torn__csv": begun + rows[60][:24]})
    for name, text in (("T01", begun + other_day(rows[1:40])), ("T01 copy", begun[:1000])):
        taken(logs, store)
        ingest([write(logs, **{f"{name}__csv": text}) / f"{name}.csv"], SHOP, store, base=logs)
    ingest([logs / "T01 torn.csv"], SHOP, store, base=logs)
    taken(logs, whole)
    assert_frame_equal(told(store), told(whole))
    assert store.rejects().select("raw").collect()["raw"].to_list() == [rows[60][:24]]


def test_a_torn_end_stays_when_its_lines_give_way_to_another_file(tmp_path: Path):
    """A file begins as another did, and ends in a torn line of its own; the other grows, and takes over its lines."""
    rows = NIGHT.splitlines(keepends=True)
    store = Store(tmp_path / "store")
    logs = write(tmp_path / "logs", T01__csv="".join(rows[:90]))
    taken(logs, store)
    taken(write(logs, **{"T01 torn__csv": "".join(rows[:60]) + "2026-03-09"}), store)
    ingest([write(logs, T01__csv=NIGHT) / "T01.csv"], SHOP, store, base=logs)
    assert store.rejects().select("raw").collect()["raw"].to_list() == ["2026-03-09"]


def test_two_torn_ends_of_one_beginning_are_both_kept(tmp_path: Path):
    rows = NIGHT.splitlines(keepends=True)
    begun = "".join(rows[:60])
    store = Store(tmp_path / "store")
    logs = write(tmp_path / "logs", T01__csv=begun)
    taken(logs, store)
    taken(write(logs, T01__csv="".join(rows[:90])), store)
    taken(write(logs, **{"T01 torn__csv": begun + "2026-03-08", "T01 too__csv": begun + "2026-03-09"}), store)
    assert sorted(store.rejects().collect()["raw"]) == ["2026-03-08", "2026-03-09"]


def test_a_file_with_a_torn_end_is_kept_whole_when_it_is_read_again(tmp_path: Path):
    rows = NIGHT.splitlines(keepends=True)
    store = Store(tmp_path / "store")
    logs = write(tmp_path / "logs", T01__csv="".join(rows[:60]) + "2026-03-02T22")
    taken(logs, store)
    before = told(store)
    for _ in range(2):
        ingest([logs], SHOP, store, base=logs, again=True)
        assert_frame_equal(told(store), before)
        assert store.rejects().select("raw").collect()["raw"].to_list() == ["2026-03-02T22"]


def test_a_piece_gives_way_to_the_whole_within_one_commit(tmp_path: Path, monkeypatch):
    """A log that ended in a torn line is read on, but has to be read as a whole after all; then it grows again."""
    rows = NIGHT.splitlines(keepends=True)
    store, whole = Store(tmp_path / "store"), Store(tmp_path / "whole")
    logs = write(tmp_path / "logs", T01__csv="".join(rows[:60]) + rows[60][:15])
    taken(logs, store)
    read = pipeline.read_pieces

    def in_vain(path, *args, onward=None, **more):
        yield from read(path, *args, onward=onward, **more)
        if onward:
            raise pipeline.CannotFollowError("for the test")

    with monkeypatch.context() as patch:
        patch.setattr(pipeline, "read_pieces", in_vain)
        taken(write(logs, T01__csv="".join(rows[:90]) + rows[90][:15]), store)
    taken(write(logs, T01__csv=NIGHT), store)
    taken(logs, whole)
    assert store.progress().select(pl.len()).collect().item() == 1
    assert_frame_equal(told(store), told(whole))


def test_when_a_file_changes_while_it_is_read_all_are_looked_at_again(tmp_path: Path, monkeypatch):
    """One file is caught half copied, as it grew since it was found; another becomes a new one while it is read."""
    rows = NIGHT.splitlines(keepends=True)
    store, whole = Store(tmp_path / "store"), Store(tmp_path / "whole")
    short = "".join(rows[:60])
    taken(write(tmp_path / "logs", **{"T01 copy__csv": short}), store)
    logs = write(
        tmp_path / "logs",
        **{"T01__csv": NIGHT, "T01 new__csv": short[:20], "T01 other__csv": HEADER + other_day(rows[1:9])},
    )
    look, read = choice.look_at, pipeline.read_pieces

    def grown(*given, **more):
        write(logs, **{"T01 new__csv": short[:1000]})
        return look(*given, **more)

    def replaced(path, *given, **more):
        if path.name == "T01 other.csv":
            path.write_text(HEADER + other_day(rows[5:30]))
        return read(path, *given, **more)

    with monkeypatch.context() as patch:
        patch.setattr(choice, "look_at", grown)
        patch.setattr(pipeline, "read_pieces", replaced)
        report = taken(logs, store)
    assert not report.skipped
    taken(logs, whole)
    assert store.rejects().collect().is_empty()
    assert_frame_equal(told(store), told(whole))


def test_deriving_again_changes_nothing(tmp_path: Path):
    store = Store(tmp_path / "store")
    taken(write(tmp_path / "logs", T01__csv=NIGHT, T02__log=LINES), store)
    before = facts(store)
    rederive(SHOP, store)
    after = facts(store)
    for name, frame in before.items():
        assert_frame_equal(frame, after[name])
