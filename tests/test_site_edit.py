"""A rule added to a site file: literal text in, literal text out."""

import sys
from pathlib import Path

import pytest

from runlog.errors import SiteError
from runlog.site import parse_site, starter
from runlog.site.edit import cause_rule_edit, with_cause_rule

SITE = """\
# our shop   -- keep this
[site]
name = "Dreherei Süd"   # umlauts, too
time_zone = "Europe/Berlin"

[[cause]]
cause = "misfeed"
codes = ["2101"]  # the old feeder

# the end
"""

RULE = """
[[cause]]
cause = "drive fault"
codes = ["7002", "0414"]
"""


def test_a_rule_is_added_at_the_end_and_all_else_stays():
    assert with_cause_rule(SITE, ["7002", "0414"], "drive fault") == SITE + RULE


def test_line_ends_and_byte_order_mark_stay(tmp_path):
    path = tmp_path / "site.toml"
    before = b"\xef\xbb\xbf" + SITE.replace("\n", "\r\n").encode()
    path.write_bytes(before)
    cause_rule_edit(path, ["7002", "0414"], "drive fault").write()
    assert path.read_bytes() == before + RULE.replace("\n", "\r\n").encode()


def test_a_last_line_without_an_end_gets_one():
    assert with_cause_rule(SITE.rstrip("\n"), ["7002", "0414"], "drive fault") == SITE + RULE


def test_the_rule_comes_last_so_that_rules_before_decide_as_they_did():
    site = parse_site(with_cause_rule(SITE, ["7002"], "misfeed"))
    assert [(rule.cause, rule.codes) for rule in site.cause] == [("misfeed", ["2101"]), ("misfeed", ["7002"])]


def test_a_cause_of_the_shops_own_keeps_its_group():
    own = SITE + '\n[[cause]]\ncause = "robot"\ngroup = "handling"\ncodes = ["9"]\n'
    assert with_cause_rule(own, ["10"], "robot") == (
        own + '\n[[cause]]\ncause = "robot"\ngroup = "handling"\ncodes = ["10"]\n'
    )


def test_codes_with_signs_are_quoted_and_come_back():
    codes = ['A"1', "B\\2", "ü 3"]
    assert parse_site(with_cause_rule(SITE, codes, "misfeed")).cause[-1].codes == codes


@pytest.mark.parametrize(
    ("text", "codes", "cause", "said"),
    [
        (SITE, ["2101"], "drive fault", "2101 is misfeed"),
        (SITE, [], "drive fault", "no alarm code found"),
        (SITE, ["7002"], "drive falt", "cause 'drive falt' found"),
        ("[site]\nname = 3\n", ["7002"], "misfeed", "site.name"),
    ],
)
def test_what_does_not_fit_is_said(text, codes, cause, said):
    with pytest.raises(SiteError, match=said):
        with_cause_rule(text, codes, cause)


def test_causes_in_one_list_are_told_to_be_added_by_hand():
    listed = 'cause = [{ cause = "misfeed", codes = ["1"] }]\n[site]\nname = "x"\ntime_zone = "UTC"\n'
    assert parse_site(listed).cause
    with pytest.raises(SiteError, match="add it by hand"):
        with_cause_rule(listed, ["7002"], "drive fault")


# --- writing -------------------------------------------------------------------------------------


@pytest.fixture
def file(tmp_path) -> Path:
    path = tmp_path / "site.toml"
    path.write_text(starter(), encoding="utf-8")
    return path


def test_the_preview_is_what_is_written_and_leaves_nothing_beside_it(file):
    edit = cause_rule_edit(file, ["7002"], "drive fault")
    assert edit.lines == ("[[cause]]", 'cause = "drive fault"', 'codes = ["7002"]')
    assert file.read_text(encoding="utf-8") == starter()
    edit.write()
    assert file.read_text(encoding="utf-8") == edit.after
    assert parse_site(edit.after) == edit.site
    assert [one.name for one in file.parent.iterdir()] == ["site.toml"]


def test_a_file_changed_since_is_left_as_it_is(file):
    edit = cause_rule_edit(file, ["7002"], "drive fault")
    file.write_text(starter() + "# mine\n", encoding="utf-8")
    with pytest.raises(SiteError, match="changed by somebody else"):
        edit.write()
    assert file.read_text(encoding="utf-8") == starter() + "# mine\n"


def test_a_file_that_is_gone_is_said(file):
    edit = cause_rule_edit(file, ["7002"], "drive fault")
    file.unlink()
    with pytest.raises(SiteError, match="no site file found"):
        edit.write()


def test_a_read_only_file_is_left_and_said(file):
    edit = cause_rule_edit(file, ["7002"], "drive fault")
    file.chmod(0o444)
    with pytest.raises(SiteError, match="read-only found"):
        edit.write()
    assert file.read_text(encoding="utf-8") == starter()


posix = pytest.mark.skipif(sys.platform == "win32", reason="rights and links are others there")


@posix
def test_its_rights_stay(file):
    file.chmod(0o640)
    cause_rule_edit(file, ["7002"], "drive fault").write()
    assert file.stat().st_mode & 0o777 == 0o640


@posix
def test_a_link_stays_a_link(file, tmp_path):
    link = tmp_path / "link.toml"
    link.symlink_to(file)
    cause_rule_edit(link, ["7002"], "drive fault").write()
    assert link.is_symlink()
    assert "7002" in file.read_text(encoding="utf-8")
