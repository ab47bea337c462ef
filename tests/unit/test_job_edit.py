"""Changing one field of a job file leaves all else as it was written."""

import tomllib

import pytest

from newel.app.job_edit import set_field

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
