"""Which beginnings of a file are looked at: all that can matter, and of many files few."""

from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from watch.shop import SHOP

from runlog.intake.identity import beginnings, file_identity
from runlog.pipeline import looking
from runlog.pipeline.looking import Found, Looked, look_at
from runlog.store import KnownFiles
from runlog.store.loads import Beginning

SOURCE = SHOP.source[0]
CONTENTS = st.text("ab", min_size=1, max_size=9).map(str.encode)


def known_of(loads: list[list[bytes]], gone: set[bytes]) -> KnownFiles:
    """A store that read these files in these loads; some have given way since."""
    identities, sizes, last, standing = {}, set(), {}, {}
    for load, contents in enumerate(loads, 1):
        for content in contents:
            identity = file_identity(content, SOURCE)
            identities[identity] = identity
            sizes.add(len(content))
            last[identity] = load
            if content not in gone:
                standing[identity] = Beginning(identity, len(content), identity, load)
    held = {identity: (one.file, one.offset) for identity, one in standing.items()}
    return KnownFiles(identities, held, {SOURCE.name: sorted(sizes)}, last, {SOURCE.name: [*standing.values()]})


@given(st.lists(st.lists(CONTENTS, max_size=4), max_size=4), st.lists(CONTENTS, max_size=6, unique=True), st.data())
@settings(max_examples=300, deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_every_beginning_that_matters_is_looked_at(tmp_path_factory, loads, here, data):
    folder = tmp_path_factory.mktemp("look")
    read = [content for contents in loads for content in contents]
    gone = {*data.draw(st.lists(st.sampled_from(read)))} if read else set()
    known = known_of(loads, gone)
    found = []
    for number, content in enumerate(here):
        (folder / f"{number}.csv").write_bytes(content)
        found.append(Found(folder / f"{number}.csv", SOURCE, len(content)))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(looking, "_HEAD", 4)
        looked = list(look_at(found, known, again=False))
    owns = {file_identity(content, SOURCE) for content in here}
    for one, content in zip(looked, here, strict=True):
        assert isinstance(one, Looked)
        _, own, all_of_it = beginnings(one.file.path, SOURCE, range(1, len(content)))
        assert one.own == own
        load = known.loads.get(own, 0)
        wanted = {
            identity
            for identity in all_of_it.values()
            if identity in owns
            or any(held.identity == identity and held.load > load for held in known.beginnings[SOURCE.name])
        }
        assert wanted <= one.begun <= {*all_of_it.values()}


def test_of_many_known_files_no_beginning_is_looked_at(tmp_path, monkeypatch):
    contents = [b"%06d" % number + b"x" * number for number in range(1, 200)]
    found = []
    for number, content in enumerate(contents):
        path: Path = tmp_path / f"{number}.csv"
        path.write_bytes(content)
        found.append(Found(path, SOURCE, len(content)))
    asked: list[int] = []

    def counting(path, source, sizes):
        asked.append(len({*sizes} - {path.stat().st_size}))
        return beginnings(path, source, sizes)

    monkeypatch.setattr(looking, "beginnings", counting)
    known = known_of([contents[:100], contents[100:-1]], set())
    assert len(list(look_at(found, known, again=False))) == len(contents)
    assert len(asked) == len(contents)
    # Only the new one is held against what might have been its beginning: nothing, as all of that is here.
    assert sum(asked) == 0
