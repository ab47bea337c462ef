"""The job file and the documents: mistakes told with their line, schemas fresh, the same bytes each run."""

import dataclasses
import json
import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import newel.app
import sample_results
from newel.app.documents import SCHEMAS, plan_json, polyline_rh, proof_json, read_setup, schema_text, setup_json
from newel.app.job_file import line_of, read_job
from newel.app.whole_files import write_results
from newel.core.errors import BadInput
from newel.core.job import Direction, Job, Section
from newel.core.profile import outline

GOOD = """format = 1
machine = "light benchtop mill"
cutters = ["1/8 in flat"]

[model]
file = "finial.stl"

[bar]
section = "square"
size_mm = "1 1/2 in"  # as bought
material = "beech"

[rough]
cutter = "1/8 in flat"
ap_mm = 1
direction = "around"
"""


def read(text: str) -> Job:
    return read_job(text, name="finial", where="finial.toml")


def test_a_job_file_is_read():
    job = read(GOOD)
    assert job.name == "finial" and job.cutters == ("1/8 in flat",)
    assert job.bar.section is Section.SQUARE
    assert job.bar.size_mm == pytest.approx((38.1,))  # derived: 1.5 x 25.4
    assert job.rough.ap_mm == 1.0 and job.rough.direction is Direction.AROUND
    assert job.finish.tolerance_mm == 0.05 and job.hold.tailstock is None


@pytest.mark.parametrize(
    ("old", "new", "line", "says", "remedy"),
    [
        ("[rough]", "[ruogh]", 13, "unknown key 'ruogh'", "'rough'"),
        ("ap_mm", "app_mm", 15, "unknown key 'rough.app_mm'", "'ap_mm'"),
        ('"around"', '"arround"', 16, "'arround'", "'around'"),
        ('"around"', '"sideways"', 16, "'sideways'", "'helical'"),
        ("[model]", "[model", 5, "not TOML", ""),
        ('"finial.stl"', '"finial.stl', 6, "not TOML", ""),
        ("ap_mm = 1", "ap_mm = nan", 15, "not a finite length", ""),
        ("ap_mm = 1", "ap_mm = -1", 15, "greater than 0", ""),
        ("ap_mm = 1", "ap_mm = true", 15, "write a number of mm", ""),
        ('"1 1/2 in"', '"fat"', 10, "'fat' is not a length", ""),
        ('"1 1/2 in"', "[40, 30]", 8, "a square bar has one size", ""),
        ('"square"', '"rectangle"', 8, "needs [width, height]", ""),
        ("format = 1", "format = 2", 1, "format is 2", "format = 1"),
        ("format = 1\n", "", 1, "'format' is missing", "format = 1"),
        ('file = "finial.stl"', "", 5, "'model.file' is missing", ""),
        ("[bar]", "[zero]\noffset = 'X12'\n[bar]", 9, "'X12'", "G54"),
    ],
)
def test_mistakes_are_told_with_their_line(old, new, line, says, remedy):
    with pytest.raises(BadInput) as caught:
        read(GOOD.replace(old, new))
    assert caught.value.where == f"finial.toml, line {line}"
    assert says in caught.value.what
    assert remedy in caught.value.remedy


def test_several_mistakes_come_in_one_block():
    with pytest.raises(BadInput) as caught:
        read(GOOD.replace("ap_mm", "app_mm").replace("machine", "mashine"))
    assert "line 2: unknown key 'mashine' (did you mean 'machine'?)" in caught.value.what
    assert "line 15: unknown key 'rough.app_mm'" in caught.value.what


def test_lines_are_found_past_texts_that_look_like_keys():
    text = 'a = """\n[t]\nk = 1\n"""\n[t] # here\nx.y = 2\n'
    assert line_of(text, ("t",)) == 5
    assert line_of(text, ("t", "x", "y")) == 6
    assert line_of(text, ("t", "k")) == 5


@given(st.text(max_size=80))
def test_no_text_breaks_the_reader(text):
    with pytest.raises(BadInput):  # no short text is a whole job
        read(text)


@given(st.sampled_from(["[bar]", "size_mm", "= 1", '"', "material", "[rough]", "ap_mm", "machine"]), st.text(max_size=12))
def test_no_slip_of_the_pen_breaks_the_reader(old, new):
    try:
        assert isinstance(read(GOOD.replace(old, new, 1)), Job)
    except BadInput as error:
        assert "line" in error.where or "line" in error.what


@pytest.mark.parametrize("name", sorted(SCHEMAS))
def test_schemas_are_fresh(name):
    shipped = Path(newel.app.__file__).with_name("schemas") / f"{name}.schema.json"
    assert shipped.read_text(encoding="utf-8") == schema_text(name), "run: python -m newel.app.documents"


def test_a_set_up_comes_back_as_it_was_written():
    setup = sample_results.setup()
    text = setup_json(setup, model_file="knob.stl")
    again = read_setup(text, where="setup.json")
    assert setup_json(again, model_file="knob.stl") == text
    assert again.bar == setup.bar and again.keep_out == setup.keep_out and again.stays_standing == setup.stays_standing
    np.testing.assert_array_equal(again.bar_from_model, setup.bar_from_model)
    for old, new in zip(setup.cutters, again.cutters):
        plain = {field.name for field in dataclasses.fields(old)} - {"shape"}
        assert {name: getattr(old, name) for name in plain} == {name: getattr(new, name) for name in plain}


def test_the_set_up_has_the_promised_keys():
    document = json.loads(setup_json(sample_results.setup(), model_file="knob.stl"))
    assert document["model"] == {"file": "knob.stl", "bar_from_model": np.eye(4).tolist()}
    assert set(document["bar"]) == {"section", "size_mm", "from_x_mm", "to_x_mm", "turned_deg"}
    assert set(document["zero"]) == {"table_from_program_mm", "a_zero_deg"}
    assert document["a_sense"] == 1
    assert document["cutters"][0]["edge_profile_rh_mm"][0] == [0.0, 0.0]
    assert set(document["keep_out"][0]) == {"name", "from_x_mm", "to_x_mm", "radius_mm", "turns"}


@pytest.mark.parametrize("radius", [0.1, 1.5, 6.0, 25.0])
def test_an_arc_is_written_within_a_micrometre(radius):
    points = np.array(polyline_rh(outline((0, 0), (radius, radius, 0, radius), (radius, 3 * radius))))
    arc = points[:-1]
    off = radius - np.hypot((arc[1:, 0] + arc[:-1, 0]) / 2, (arc[1:, 1] + arc[:-1, 1]) / 2 - radius)
    assert off.min() > -2e-6  # rounding to 1e-6 mm
    assert off.max() <= 0.001 + 2e-6
    assert off.max() > 0.0003 or len(arc) == 2  # derived: no more than twice as many chords as are needed


def test_plan_and_proof_are_written_the_same_each_time():
    assert plan_json(sample_results.plan()) == plan_json(sample_results.plan())
    proof = sample_results.results().proof
    assert proof_json(proof) == proof_json(sample_results.results().proof)


def test_the_plan_has_the_promised_keys():
    document = json.loads(plan_json(sample_results.plan()))
    assert document["bar"]["sawn_length_mm"] == 162.0  # derived: 22 + 140
    assert set(document["decisions"][0]) == {"what", "chosen", "because", "instead_of", "by"}
    assert [cut["ap_mm"] for cut in document["cuts"]] == [1.5, 0.4]


def test_what_is_not_known_is_null():
    document = json.loads(proof_json(sample_results.NOT_PROVED))
    assert document["verdict"] == "not proved"
    assert document["load"]["bar_bending_max_mm"] is None
    first, second = document["findings"]
    assert (first["code"], first["severity"], first["line"]) == ("holder strikes jaws", "obstacle", 812)
    assert (first["measured"], first["limit"], first["unit"]) == (-0.8, 0.0, "mm")
    assert second["x_mm"] is None and second["measured"] is None
    assert "NaN" not in proof_json(sample_results.NOT_PROVED)


@given(st.floats(allow_nan=True, allow_infinity=True))
def test_any_float_becomes_json(value):
    from newel.app.documents import json_text, tidy

    back = json.loads(json_text(tidy(value)))
    assert back is None if not math.isfinite(value) else back == pytest.approx(value, abs=5.1e-7)
    assert str(back) != "-0.0"


def test_results_are_written_whole_and_stale_ones_go(tmp_path):
    out = tmp_path / "out"
    write_results(out, {"program-1.ngc": b"a", "pictures/x.png": b"b", "proof.json": b"c"}, stale=lambda name: False)
    (out / "mine.txt").write_text("kept")
    write_results(
        out, {"program.ngc": b"d", "proof.json": b"e"}, stale=lambda name: name.startswith("program"), last="proof.json"
    )
    assert sorted(p.relative_to(out).as_posix() for p in out.rglob("*") if p.is_file()) == [
        "mine.txt", "pictures/x.png", "program.ngc", "proof.json"
    ]  # fmt: skip
    assert (out / "proof.json").read_bytes() == b"e"


def test_a_full_disk_leaves_the_old_results(tmp_path, monkeypatch):
    out = tmp_path / "out"
    write_results(out, {"program.ngc": b"old", "proof.json": b"old"}, stale=lambda name: False)

    def full(descriptor):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("newel.app.whole_files.os.fsync", full)
    with pytest.raises(BadInput, match="No space left"):
        write_results(out, {"program.ngc": b"new", "proof.json": b"new"}, stale=lambda name: True)
    assert sorted(p.name for p in out.iterdir()) == ["program.ngc", "proof.json"]
    assert (out / "program.ngc").read_bytes() == b"old"


def test_an_interrupt_leaves_nothing(tmp_path, monkeypatch):
    def stop(descriptor):
        raise KeyboardInterrupt

    monkeypatch.setattr("newel.app.whole_files.os.fsync", stop)
    with pytest.raises(KeyboardInterrupt):
        write_results(tmp_path / "out", {"program.ngc": b"new"}, stale=lambda name: True)
    assert list(tmp_path.iterdir()) == []
