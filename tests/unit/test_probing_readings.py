"""Reading tables as people fill them in: what is read, and the answer to what is wrong."""

import csv
import io

import pytest

from newel.core.errors import BadInput
from newel.probing.readings import empty_table, joined, read_table
from newel.probing.routines import Kind, Probe, plan_routine
from plain.measured_programs import set_up

TOUCHES = plan_routine(Kind.AXIS, set_up(), Probe()).touches


def filled(**values: str) -> str:
    """The routine's table with readings: 'H1="15.02"'; those not named get what is expected and a hundredth."""
    rows = list(csv.reader(io.StringIO(empty_table(TOUCHES))))
    for row in rows[1:]:
        row[1] = values.get(row[0], f"{float(row[2]) + 0.01:.3f}")
    out = io.StringIO()
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue()


def only(text: str, **asked):
    table = read_table(text, **asked)
    assert len(table.problems) == 1, table.problems
    return table.problems[0]


def test_filled_table_comes_back_with_its_touches():
    table = read_table(filled(H1="15.123"))
    assert not table.problems and not table.blank
    assert table.sure()[0].value_mm == 15.123
    for read, planned in zip(table.readings, TOUCHES, strict=True):
        assert (read.touch.name, read.touch.feature, read.touch.axis, read.touch.way) == (
            planned.name,
            planned.feature,
            planned.axis,
            planned.way,
        )
        assert read.touch.at_mm == pytest.approx(planned.at_mm, abs=1e-3)


def test_blanks_are_left_out_and_said():
    table = read_table(filled(H2="", H5=" "))
    assert table.blank == ("H2", "H5") and not table.problems
    assert len(table.readings) == len(TOUCHES) - 2


def test_decimal_comma_in_quotes_and_with_semicolons():
    table = read_table(filled(H1="15,123"))
    assert table.sure()[0].value_mm == 15.123
    assert "decimal comma" in table.remarks[0]
    semicolons = "\n".join(";".join(row) for row in csv.reader(io.StringIO(filled(H1="15,123"))))
    assert read_table(semicolons).sure()[0].value_mm == 15.123
    tabs = "\n".join("\t".join(row) for row in csv.reader(io.StringIO(filled(H1="15,123"))))
    assert read_table(tabs).sure()[0].value_mm == 15.123


def test_bare_decimal_comma_between_commas_is_told():
    text = filled().replace("H1,15.010", "H1,15,010")
    problem = only(text)
    assert "line 2 (H1)" in problem.where and "decimal comma" in problem.remedy


def test_inches_said_and_unsaid():
    assert read_table(filled(H1="0.5916 in")).sure()[0].value_mm == pytest.approx(0.5916 * 25.4)
    problem = only(filled(H1="0.5916"))
    assert "looks like inches" in problem.what and "--unit inch" in problem.remedy
    inches = filled(**{t.name: f"{(t.expected_mm + 0.01) / 25.4:.5f}" for t in TOUCHES})
    assert read_table(inches, unit="inch").sure()[0].value_mm == pytest.approx(15.01, abs=2e-4)
    assert len(read_table(inches).problems) == len(TOUCHES)


def test_wrong_sign():
    problem = only(filled(H2="16.51"))
    assert "sign" in problem.what and "-16.51" in problem.remedy


def test_shifted_decimal_point():
    assert "decimal point" in only(filled(H1="150.1")).what


def test_swapped_columns_within_a_row():
    rows = list(csv.reader(io.StringIO(filled())))
    k = rows[0].index("a_deg")
    rows[1][1], rows[1][k] = rows[1][k], rows[1][1]
    text = "\n".join(",".join(row) for row in rows)
    assert "columns look swapped" in only(text).what


def test_columns_moved_with_their_header_are_fine():
    rows = list(csv.reader(io.StringIO(filled())))
    text = "\n".join(",".join(reversed(row)) for row in rows)
    assert len(read_table(text).sure()) == len(TOUCHES)


def test_shifted_columns_are_told():
    rows = list(csv.reader(io.StringIO(filled())))
    k = rows[0].index("axis")
    rows[3][k], rows[3][k + 1] = rows[3][k + 1], rows[3][k]
    problem = only("\n".join(",".join(row) for row in rows))
    assert "axis" in problem.what and "swapped or shifted" in problem.remedy


def test_exchanged_rows():
    table = read_table(filled(H1="-16.5", H2="15.01"))
    assert any("look exchanged" in problem.what for problem in table.problems)


def test_reading_of_another_axis():
    x = TOUCHES[0].at_mm[0]
    assert "stands in X" in only(filled(H1=f"{x}")).what


def test_not_a_number_and_far_off():
    assert "not a number" in only(filled(H1="fifteen")).what
    assert "touch again" in only(filled(H1="26")).remedy


def test_all_problems_come_at_once():
    table = read_table(filled(H1="fifteen", H2="16.5", H4="0.59"))
    assert len(table.problems) == 3
    with pytest.raises(BadInput) as caught:
        table.sure()
    assert "H2" in caught.value.what and "H4" in caught.value.what and "H1" in caught.value.where


def test_log_text_by_parameter_and_by_name():
    text = "#1001 = 15.02\nsomething else\n#1002 -16.49\nH3: 16,52 mm\nH1 again: nothing\n#1001=15.03\n"
    table = read_table(text, touches=TOUCHES)
    got = {reading.touch.name: reading.value_mm for reading in table.readings}
    assert got == {"H1": 15.03, "H2": -16.49, "H3": 16.52}
    assert "the later one counts" in table.remarks[0]
    assert "H4" in table.blank


def test_log_text_without_a_table_says_what_is_missing():
    assert "nothing says what was touched" in only("#1001 = 15.02").what


@pytest.mark.parametrize("text", ["", "\n\n", "name;reading", "just words", "name,reading\nH1,3\n"])
def test_what_is_no_table_is_told(text):
    with pytest.raises(BadInput):
        read_table(text).sure()


def test_tables_are_joined_with_their_names():
    table = joined([("a.csv", read_table(filled())), ("b.csv", read_table(filled(H1="x")))])
    assert len(table.readings) == 2 * len(TOUCHES) - 1
    assert table.problems[0].where.startswith("b.csv, line 2")
