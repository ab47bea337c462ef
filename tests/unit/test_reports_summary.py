"""The summary on the terminal: plain words, every number with its unit."""

import math
from dataclasses import replace

import sample_results
from newel.reports.summary import finding_text, load_text, plan_text, proof_text, summary_text


def test_a_made_job_in_words():
    text = summary_text(sample_results.results(), folder="knob.out")
    assert "square bar, 40 mm, tooling board, sawn 162 mm long" in text
    assert "22 mm in the jaws, on the live centre, 140 mm standing out" in text
    assert "2. finish with V 30 degrees (T2), helical, 22000 rpm, 1500 mm/min, ap 0.4 mm, ae 0.3 mm, 53 min 12 s" in text
    assert "PROVED" in text and "NOT PROVED" not in text
    assert "gouge   0.011 mm at most; left over 0.043 mm at most" in text
    assert "99.3 % of the reachable surface is within 0.05 mm" in text
    assert "0.4 % of the surface is out of reach of every cutter here" in text
    assert "time    1 h 24 min on the machine" in text
    assert "knob.out: program.ngc" in text and "merged 812 doubled vertices" in text


def test_what_is_not_proved_must_not_be_run():
    text = summary_text(sample_results.results(proof=sample_results.NOT_PROVED), folder="knob.out")
    assert "NOT PROVED: 1 obstacle" in text
    assert "don't run this program" in text
    assert text.index("obstacle: the holder") < text.index("note: an axis")


def test_a_finding_in_a_line():
    first, second = sample_results.NOT_PROVED.findings
    assert finding_text(first) == (
        "obstacle: the holder would strike the jaws (-0.8, limit 0 mm) at program.ngc, line 812 X 14.00 Y 0.00 Z 12.00 A 318°"
    )
    assert finding_text(second) == "note: an axis never gets up to speed at program.ngc, line 90"


def test_many_findings_of_one_kind_are_one_line():
    many = replace(sample_results.NOT_PROVED, findings=sample_results.NOT_PROVED.findings * 10)
    text = proof_text(many, tolerance_mm=0.05)
    assert text.count("\n  - ") == 2 and text.count("; 9 more like it") == 2
    kinds = tuple(replace(sample_results.NOT_PROVED.findings[0], code=f"kind {k}") for k in range(15))
    text = proof_text(replace(many, findings=kinds), tolerance_mm=0.05)
    assert text.count("\n  - ") == 12 and "and 3 more kinds, see proof.json" in text


def test_what_is_not_known_is_not_said():
    assert "the bar bends" not in load_text(sample_results.PROVED)  # nan in the sample
    unmeasured = replace(sample_results.PROVED, deviation=replace(sample_results.DEVIATION, gouge_max_mm=math.nan))
    assert "gouge" not in proof_text(unmeasured, tolerance_mm=0.05)


def test_a_plan_tells_every_reason():
    plan = sample_results.plan()
    text = plan_text(plan, sample_results.machine())
    for decision in plan.decisions:
        assert decision.chosen in text and decision.because in text
    assert "cusp: 0.02 mm [job file]" in text
    assert "instead of along; around" in text
