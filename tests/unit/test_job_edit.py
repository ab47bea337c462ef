"""Changing one field of a job file leaves all else as it was written."""

import tomllib

import pytest

from newel.app.job_edit import set_entry, set_field

TEXT = """# a job
format = 1
machine = "light benchtop mill"  # names: see the shop
# cutters = ["1/8 in flat"]  # only these

[bar]
size_mm = 40  # across
material = "oak"

[finish]
# cusp_mm = 0.02  # between passes
tolerance_mm = 0.05
"""


@pytest.mark.parametrize(
    ("table", "key", "value"),
    [("finish", "cusp_mm", 0.03), ("finish", "tolerance_mm", 0.1), ("bar", "size_mm", [20, 30]), ("", "machine", 'a "b" # c'),
     ("", "cutters", ["a", "b"]), ("hold", "grip_mm", 20), ("bar", "length_mm", 150.5), ("finish", "rest", False)],
)  # fmt: skip
def test_a_field_is_set_and_the_rest_stays(table: str, key: str, value: object) -> None:
    before, after = tomllib.loads(TEXT), tomllib.loads(set_field(TEXT, table, key, value))
    place = after[table] if table else after
    assert place.pop(key) == value
    (before.get(table, {}) if table else before).pop(key, None)
    assert {k: v for k, v in after.items() if v} == {k: v for k, v in before.items() if v}


def test_comments_stay_beside_their_field() -> None:
    assert "size_mm = 25  # across\n" in set_field(TEXT, "bar", "size_mm", 25)
    assert "cusp_mm = 0.03  # between passes\n" in set_field(TEXT, "finish", "cusp_mm", 0.03)


def test_taking_a_field_out_leaves_it_commented() -> None:
    out = set_field(TEXT, "finish", "tolerance_mm", None)
    assert "# tolerance_mm = 0.05\n" in out
    assert set_field(out, "finish", "tolerance_mm", 0.05) == TEXT
    assert set_field(TEXT, "hold", "grip_mm", None) == TEXT


LISTS = """format = 1

[bevel]
width_mm = 0.5

# the name
[[ornament]]
kind = "carve"  # by width
text = "A"

# the date
[[ornament]]
kind = "engrave"
text = "1871"
"""


def test_a_table_ends_where_a_listed_one_begins() -> None:
    after = tomllib.loads(set_field(LISTS, "bevel", "cutter", "6 mm V 90"))
    assert after["bevel"] == {"width_mm": 0.5, "cutter": "6 mm V 90"}
    assert [item.keys() for item in after["ornament"]] == [{"kind", "text"}, {"kind", "text"}]
    assert tomllib.loads(set_field(LISTS, "", "work", "sides"))["work"] == "sides"


def test_an_entry_of_a_list_is_set_added_and_taken_out() -> None:
    deeper = set_entry(LISTS, "ornament", 0, {"depth_mm": 0.4, "text": "B"})
    assert tomllib.loads(deeper)["ornament"][0] == {"kind": "carve", "text": "B", "depth_mm": 0.4}
    assert 'kind = "carve"  # by width\n' in deeper
    added = tomllib.loads(set_entry(LISTS, "thread", 0, {"hole_diameter_mm": 5, "pitch_mm": 0.8}))
    assert added["thread"] == [{"hole_diameter_mm": 5, "pitch_mm": 0.8}]
    assert set_entry(LISTS, "thread", 0, {"pitch_mm": None}) == LISTS
    gone = set_entry(LISTS, "ornament", 0, None)
    assert tomllib.loads(gone)["ornament"] == [{"kind": "engrave", "text": "1871"}]
    assert "the date" in gone
    assert "the name" not in gone
