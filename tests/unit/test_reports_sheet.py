"""The set-up sheet: two pages, the same bytes each run, with the check of A's way that fits the machine."""

import re
from dataclasses import replace

import pytest

import sample_results
from newel.core.job import Section
from newel.core.plan import CutKind, Decision, Side
from newel.proof.results import Approach
from newel.reports.bar_drawing import bar_drawing_svg
from newel.reports.sheet import DEFER, a_check, levelling, sheet_data, sheet_pdf


def test_the_sheet_is_a_pdf_with_the_same_bytes_each_run():
    sample = sample_results.results()
    pdf = sheet_pdf(sample)
    assert pdf.startswith(b"%PDF") and pdf == sheet_pdf(sample)
    assert b"/CreationDate" not in pdf or b"19700101" in pdf  # no clock in an output


@pytest.mark.parametrize(("sense", "way"), [(1, "toward you"), (-1, "away from you")])
def test_the_check_of_a_fits_the_sense(sense, way):
    # derived: in the set-up's frame X is to the right, Y away from the person, Z up; Rx(+90) carries +Z to -Y
    sample = sample_results.results()
    sample = replace(sample, setup=replace(sample.setup, a_sense=sense))
    assert f"the mark must come {way}." in a_check(sample)


def test_everything_that_hurts_is_on_the_sheet():
    data = sheet_data(sample_results.results())
    words = " ".join(data["cautions_general"] + data["cautions_own"] + data["ticks"] + data["steps"] + [DEFER]).lower()
    for caution in (
        "eye",
        "hearing",
        "dust",
        "smoulder",
        "sleeves",
        "hair",
        "centre",
        "stop",
        "raised above",
        "manual",
        "trained",
    ):
        assert caution in words
    assert any("wear a mask" in line for line in data["cautions_own"])  # the material's own


def test_numbers_on_the_sheet():
    data = sheet_data(sample_results.results())
    assert data["steps"][0].startswith("Saw the bar to 162 mm")  # derived: 22 + 140
    assert data["cutters"][0] == ["1", "1/8 in flat, long; ER11 nut", "26 mm", "31 min 00 s"]
    assert data["cuts"][1][3:] == ["22000 rpm", "1500 mm/min", "0.4 mm", "0.3 mm", "53 min 12 s"]
    assert [row[0] for row in data["approaches"]] == ["jaws", "live centre"]  # what never came near is left out
    assert data["proved"] and data["seal_short"] == "5f0c1d2e3a4b5c6d"


def test_a_program_that_is_not_proved_says_so_first():
    data = sheet_data(sample_results.results(proof=sample_results.NOT_PROVED))
    assert not data["proved"]
    assert "the holder would strike the jaws" in data["not_proved_because"]
    assert sheet_pdf(sample_results.results(proof=sample_results.NOT_PROVED)).startswith(b"%PDF")


@pytest.mark.parametrize(
    ("section", "size", "turned", "says"),
    [
        (Section.SQUARE, (40.0,), 0.0, "level the top flat"),
        (Section.SQUARE, (40.0,), 45.0, "a corner up"),
        (Section.ROUND, (40.0,), 0.0, "anywhere"),
        (Section.HEXAGON, (36.0,), 0.0, "level the top flat"),
        (Section.RECTANGLE, (50.0, 30.0), 0.0, "level the top flat"),
    ],
)
@pytest.mark.parametrize("end", ["left", "right"])
def test_every_bar_and_either_end_can_be_drawn(section, size, turned, says, end):
    sample = sample_results.results(machine=sample_results.machine(end))
    bar = replace(sample.plan.bar, section=section, size_mm=size, turned_deg=turned)
    sample = replace(sample, plan=replace(sample.plan, bar=bar))
    assert says in levelling(sample)
    drawing = bar_drawing_svg(sample)
    assert "saw the bar 162 mm" in drawing and "nan" not in drawing
    assert sheet_pdf(sample).startswith(b"%PDF")


def test_words_from_outside_cannot_break_the_sheet():
    sample = sample_results.results()
    odd = replace(sample, job=replace(sample.job, name='<&"> #let x = $ _*[ ] \\ }'))
    assert sheet_pdf(odd).startswith(b"%PDF")


def test_many_cuts_at_many_sides_still_take_two_pages():
    sample = sample_results.results()
    one = sample.cuts[0]
    sides = tuple(Side(45.0 * k, 0.4, "a flat lies square to the cutter") for k in range(8))
    made = tuple(
        replace(one, cut=replace(one.cut, number=k + 1, name=f"face the side at {45 * (k % 8)}° with 1/8 in flat, long",
                                 kind=CutKind.FACE, turn_deg=45.0 * (k % 8), flats_z_mm=(19.0 - k // 8,)))
        for k in range(30)
    )  # fmt: skip
    because = (
        "a reason of the length that reasons have, told in words that someone at the machine can follow, question and doubt"
    )
    decided = tuple(Decision(f"decision {k}", "what was chosen, in some words", because) for k in range(16))
    plan = replace(sample.plan, sides=sides, cuts=tuple(item.cut for item in made), decisions=decided)
    near = tuple(
        Approach(f"{name} of the machine", 5.0, "program.ngc", 100) for name in ("jaws", "chuck", "centre", "table", "part")
    )
    pdf = sheet_pdf(replace(sample, plan=plan, cuts=made, proof=replace(sample.proof, approaches=near)))
    assert len(re.findall(rb"/Type\s*/Page[^s]", pdf)) == 2
