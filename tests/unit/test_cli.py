"""The command line: exit status, errors in one block, quick and documented help, nothing half written."""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner

from newel.app.cli import newel, run
from newel.app.help_page import commands, help_page
from newel.app.inputs import JobFiles, told_by_line
from newel.app.job_file import read_job
from newel.app.kernel_cache import fingerprint
from newel.app.progress import STAGES, time_left, whole_fraction
from newel.app.shop_texts import list_text, show_text
from newel.core.errors import BadInput, Infeasible
from newel.geometry.meshes import Mesh, write_stl
from newel.shop.catalogue import load_shop, shipped_texts

ROOT = Path(__file__).parents[2]


def UNSEEN(stage, share):
    """Let progress go by."""


HELP = [path for path, _ in commands(newel, ("newel",))]


@pytest.fixture(scope="module")
def shop():
    return load_shop(shipped_texts())


def ball(radius: float, stretch: float) -> bytes:
    """Return an egg as STL, its long axis along Z, `stretch` times as long as thick."""
    import trimesh

    egg = trimesh.creation.icosphere(subdivisions=2, radius=radius)
    return write_stl(Mesh(np.asarray(egg.vertices) * [1, 1, stretch], np.asarray(egg.faces)))


@pytest.mark.parametrize("path", HELP, ids=" ".join)
def test_every_command_has_help_and_is_documented(path):
    result = CliRunner().invoke(newel, [*path[1:], "--help"])
    assert result.exit_code == 0 and len(result.output.splitlines()) > 5
    assert f"## {' '.join(path)}\n" in (ROOT / "docs" / "command-line.md").read_text(encoding="utf-8")


def test_the_command_page_is_fresh():
    page = (ROOT / "docs" / "command-line.md").read_text(encoding="utf-8")
    assert page == help_page(), "run: python -m newel.app.help_page > docs/command-line.md"


def test_help_imports_nothing_heavy():
    code = (
        "import sys; from newel.app.cli import run; run(['make', '--help']); run(['--version']);"
        "heavy = {'numpy', 'numba', 'scipy', 'pydantic', 'rich', 'PIL', 'typst'} & set(sys.modules);"
        "sys.exit(str(heavy) if heavy else 0)"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@pytest.mark.parametrize(
    ("words", "says"),
    [
        (["make", "nix.toml"], "there is no job file nix.toml"),
        (["plan", "."], ". is a folder, not a job file"),
        (["new", "nix.stl"], "there is no model nix.stl"),
        (["shop", "show", "1/8 in flatt"], "did you mean '1/8 in flat'"),
        (["shop", "check", "nix.toml"], "there is no shop file nix.toml"),
        (["prove", "nix.ngc", "--job", "nix.toml"], "there is no job file nix.toml"),
    ],
)
def test_what_is_missing_is_refused_in_one_block(words, says, capfd, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert run(words) == 2
    out, err = capfd.readouterr()
    assert out == "" and err.startswith("error: ") and says in err and "Traceback" not in err
    assert list(tmp_path.iterdir()) == []


def test_debug_shows_the_traceback(capfd, tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert run(["make", "nix.toml", "--debug"]) == 2
    assert "Traceback" in capfd.readouterr().err


@pytest.mark.parametrize("words", [["bogus"], ["make"], ["shop", "list", "spoons"], ["make", "a", "b"]])
def test_wrong_words_are_refused(words, capfd):
    assert run(words) == 2
    assert "Error" in capfd.readouterr().err


@pytest.mark.parametrize("number", ["nan", "inf", "-inf", "NaN"])
@pytest.mark.parametrize(
    "words", [["probe", "fit", "r.txt", "--job", "j.toml", "--ball"], ["shop", "trial", "x", "y", "--bar"]], ids=["ball", "bar"]
)
def test_what_is_no_number_is_refused(words, number):
    result = CliRunner().invoke(newel, [*words, number])
    assert result.exit_code == 2
    assert "not a number that measures anything" in result.output


def test_a_job_with_a_mistake_names_its_line(capfd, tmp_path):
    job = tmp_path / "a.toml"
    job.write_text('format = 1\nmachin = "m"\n')
    assert run(["make", str(job)]) == 2
    err = capfd.readouterr().err
    assert "line 2: unknown key 'machin' (did you mean 'machine'?)" in err
    assert [p.name for p in tmp_path.iterdir()] == ["a.toml"]


@pytest.mark.parametrize("content", [b"\xff\xfe\x00", b"caf\xe9 = 1\n"])
def test_a_job_that_is_no_text_is_refused(content, capfd, tmp_path):
    job = tmp_path / "a.toml"
    job.write_bytes(content)
    assert run(["plan", str(job)]) == 2
    assert "is not UTF-8 text" in capfd.readouterr().err


def test_ctrl_c_and_surprises_leave_no_traceback(capfd, monkeypatch):
    def stop(name):
        raise KeyboardInterrupt

    def break_down(name):
        raise RuntimeError("a wheel came off")

    monkeypatch.setattr("newel.app.inputs.shipped_texts", lambda: stop(""))
    assert run(["shop", "list"]) == 130
    monkeypatch.setattr("newel.app.inputs.shipped_texts", lambda: break_down(""))
    assert run(["shop", "list"]) == 2
    err = capfd.readouterr().err
    assert "stopped" in err and "a wheel came off" in err and "Traceback" not in err


def test_a_first_job_file_is_taken_as_it_stands(tmp_path, capfd):
    (tmp_path / "egg.stl").write_bytes(ball(14.0, 2.0))
    assert run(["new", str(tmp_path / "egg.stl")]) == 0
    out = capfd.readouterr().out
    assert "28 mm x 28 mm x 56 mm" in out and "next: newel make" in out
    text = (tmp_path / "egg.toml").read_text(encoding="utf-8")
    job = read_job(text, name="egg", where="egg.toml")
    assert job.model.file == "egg.stl" and job.model.unit == "mm" and job.model.scale == 1.0
    assert job.bar.section.value == "square" and job.bar.size_mm == (30.0,)  # board is not sold round: the next over 28 mm
    assert run(["new", str(tmp_path / "egg.stl")]) == 2  # it is there already
    assert "--force" in capfd.readouterr().err


def test_every_default_can_be_taken_out_of_its_comment(tmp_path, shop):
    from newel.app.new_job import NewJobAsk, new_job

    text = new_job(ball(14.0, 2.0), "stl", "egg.stl", NewJobAsk(), shop, UNSEEN).text
    opened = "\n".join(
        line.removeprefix("# ") if line.startswith("# ") and " = " in line else line for line in text.splitlines()
    )
    job = read_job(opened, name="egg", where="egg.toml")
    assert job.finish.rest is False and job.cutters == ("1/8 in flat", "3 mm ball")
    assert set(job.cutters) <= set(shop.cutters) and job.rough.cutter in shop.cutters and job.finish.cutter in shop.cutters


def test_a_model_too_large_is_refused_with_the_scale_that_fits(tmp_path, shop):
    from newel.app.new_job import NewJobAsk, new_job

    large = ball(60.0, 1.5)
    with pytest.raises(Infeasible) as caught:
        new_job(large, "stl", "egg.stl", NewJobAsk(), shop, UNSEEN)
    scale = caught.value.limit
    assert 0.1 < scale < 1.0 and f"{scale:.3f}" in caught.value.remedy
    fitted = new_job(large, "stl", "egg.stl", NewJobAsk(fit=True), shop, UNSEEN)
    assert f"scale = {scale:g}" in fitted.text
    assert scale == pytest.approx(
        44.6 / 120.0, rel=0.03
    )  # derived: the largest bar, 45 mm square, less 0.2 mm of skin a side (the ball has facets)


def test_inches_and_unknown_names(shop):
    from newel.app.new_job import NewJobAsk, new_job

    inch = new_job(ball(0.5, 2.0), "stl", "egg.stl", NewJobAsk(unit="inch"), shop, UNSEEN)
    assert 'unit = "inch"  # as you said' in inch.text and "25.4 mm x 25.4 mm x 50.8 mm" in inch.said
    with pytest.raises(BadInput, match="cheese"):
        new_job(ball(10.0, 2.0), "stl", "egg.stl", NewJobAsk(material="cheese"), shop, UNSEEN)


def test_the_shop_in_words(shop):
    words = list_text(shop, None)
    for kind in ("cutters", "materials", "machines", "bars"):
        for name in getattr(shop, kind):
            assert name in words
    assert "source = " in show_text(shop, "1/8 in flat") and "DC = 3.175 mm" in show_text(shop, "1/8 in flat")
    assert "cautions" in show_text(shop, "beech")


def test_progress_never_goes_back_and_ends_at_one():
    stages = tuple(STAGES)
    steps = [whole_fraction(stage, share, stages) for stage in stages for share in (0.0, 0.5, 1.0, 7.0)]
    assert steps == sorted(steps) and steps[0] == 0.0 and steps[-1] == pytest.approx(1.0)
    assert whole_fraction("never heard of", 0.5, stages) == 0.0
    assert time_left(10.0, 0.01) == "" and time_left(10.0, 0.5) == "about 10 s left"
    assert time_left(100.0, 0.25) == "about 5 min 00 s left"  # derived: 100 x 0.75 / 0.25 = 300 s


def test_a_pipe_gets_plain_words():
    done = subprocess.run(
        [sys.executable, "-m", "newel.app.cli", "shop", "list"],
        capture_output=True,
        check=True,
        env={**os.environ, "FORCE_COLOR": "1"},
    )
    assert b"\x1b" not in done.stdout + done.stderr and b"beech" in done.stdout


def test_a_reader_that_goes_away_is_no_error():
    command = f"{sys.executable} -m newel.app.cli shop list | head -1"
    done = subprocess.run(["bash", "-c", f"set -o pipefail; {command}"], capture_output=True, check=False)
    assert done.returncode == 0 and b"Traceback" not in done.stderr and b"Exception" not in done.stderr


def test_the_kernel_cache_is_named_after_the_sources(tmp_path):
    first = fingerprint()
    assert first == fingerprint() and len(first) == 16
    code = (
        "from newel.app.kernel_cache import use_kernel_cache as u; import os; print(u()); print(os.environ['NUMBA_CACHE_DIR'])"
    )
    plain = {name: value for name, value in os.environ.items() if name != "NUMBA_CACHE_DIR"}
    for extra, expected in (
        ({"XDG_CACHE_HOME": str(tmp_path)}, tmp_path / "newel" / f"kernels-{first}"),
        ({"NUMBA_CACHE_DIR": str(tmp_path / "own")}, tmp_path / "own"),
    ):
        done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True, env={**plain, **extra})
        if sys.platform.startswith("linux"):
            assert done.stdout.splitlines() == [str(expected), str(expected)]


@pytest.mark.parametrize(
    ("where", "told"),
    [("[hold] grip", "a.toml, line 4: [hold] grip"), ("[bar] material", "a.toml, line 5: [bar] material"),
     ("machine", "a.toml, line 2: machine"),
     ("the model", "the model"), ("[rough] cutter", "a.toml, line 1: [rough] cutter")],
)  # fmt: skip
def test_an_error_about_the_job_names_its_line(where, told):
    files = JobFiles(Path("a.toml"), 'format = 1\nmachine = "m"\n[hold]\ngrip_mm = 3\n[bar]\n', None, b"", "stl")
    with pytest.raises(Infeasible) as caught, told_by_line(files):
        raise Infeasible("too long", where=where)
    assert caught.value.where == told
