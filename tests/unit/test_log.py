"""The workshop log: durable, only ever added to, exported and read back without loss, and proposals with their bands."""

import math
import os
import signal
import sqlite3
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

from newel.core.errors import BadInput
from newel.probing.calibration import bending_factor, clock_factor, cutter_diameter, proposals
from newel.probing.log import (
    MIGRATIONS,
    MadeEntry,
    MeasuredEntry,
    add,
    from_csv,
    made,
    measured,
    prepare,
    to_csv,
)
from newel.probing.next_part import Check, Feature, changes, read_checks

RUN = MadeEntry("r1", "2026-03-01T10:00:00+00:00", "finial.toml", "program.ngc", "seal", "proved", 60.0, 66.5, "good", "")
FOUND = MeasuredEntry("m1", "r1", "2026-03-01T11:00:00+00:00", "slot width", "side 2", 6.0, 5.95, "mm", "", "1/4 in flat")
KILLS = 25


def opened(path=":memory:"):
    connection = sqlite3.connect(path)
    prepare(connection)
    return connection


def test_what_is_added_comes_back():
    log = opened()
    assert add(log, [RUN, FOUND]) == 2
    assert made(log) == (RUN,) and measured(log) == (FOUND,)


def test_adding_twice_adds_once():
    log = opened()
    add(log, [RUN])
    assert add(log, [RUN, replace(RUN, job="another")]) == 0
    assert made(log) == (RUN,)


def test_all_or_none():
    log = opened()
    with pytest.raises(BadInput):
        add(log, [RUN, replace(RUN, uid="r2", planned_min=-1.0)])
    with pytest.raises(BadInput):
        add(log, [replace(RUN, taken_min=math.nan)])
    with pytest.raises(BadInput):
        add(log, [replace(RUN, outcome="so so")])
    assert made(log) == ()


def test_settings_are_the_durable_ones(tmp_path):
    log = opened(tmp_path / "log.sqlite")
    assert log.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    assert log.execute("PRAGMA synchronous").fetchone()[0] == 2  # FULL
    assert log.execute("PRAGMA user_version").fetchone()[0] == len(MIGRATIONS)


def test_csv_there_and_back_is_the_same():
    odd = replace(RUN, uid="r2", remark='quotes ", commas,\nnew lines; µ', planned_min=1 / 3, taken_min=None, outcome="failed")
    for entries, kind in (((RUN, odd), "made"), ((FOUND, replace(FOUND, uid="m2", planned=None, found=0.1 + 0.2)), "measured")):
        text = to_csv(entries, kind)
        assert from_csv(text) == entries
        assert to_csv(from_csv(text), kind) == text


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("", "not an exported log"),
        ("a,b\n1,2\n", "not an exported log"),
        ("made.uid,at\nx,y\n", "header"),
        (to_csv([RUN], "made").replace("66.5", "sixty"), "not a number"),
        (to_csv([RUN], "made").replace(",good,", ",good,,"), "fields"),
        (to_csv([RUN], "made").replace("good", "fine"), "outcome"),
    ],
)
def test_csv_that_is_no_log_is_told(text, says):
    with pytest.raises(BadInput, match=says):
        from_csv(text)


def test_older_layout_is_brought_up_with_all_it_holds(tmp_path):
    path = tmp_path / "log.sqlite"
    old = sqlite3.connect(path)
    for statement in MIGRATIONS[0]:
        old.execute(statement)
    old.execute("INSERT INTO made VALUES ('r1','2026','j','p','s','proved',1.0,2.0,'good','')")
    old.execute("INSERT INTO measured VALUES ('m1','r1','2026','depth','here',1.0,1.1,'mm','')")
    old.execute("PRAGMA user_version = 1")
    old.commit()
    old.close()
    log = opened(path)
    assert made(log)[0].job == "j" and measured(log)[0].cutter == ""


def test_newer_layout_and_strange_files_are_refused(tmp_path):
    newer = sqlite3.connect(tmp_path / "newer.sqlite")
    newer.execute(f"PRAGMA user_version = {len(MIGRATIONS) + 1}")
    newer.commit()
    with pytest.raises(BadInput, match="layout"):
        prepare(newer)
    other = sqlite3.connect(tmp_path / "other.sqlite")
    other.execute("CREATE TABLE recipes (name TEXT)")
    other.commit()
    with pytest.raises(BadInput, match="another program"):
        prepare(other)
    (tmp_path / "text.sqlite").write_text("this is no database, but long enough to look like one" * 20)
    with pytest.raises(BadInput, match="not a workshop log"):
        prepare(sqlite3.connect(tmp_path / "text.sqlite"))


WRITER = """
import sqlite3, sys
from newel.probing.log import MadeEntry, MeasuredEntry, add, prepare
log = sqlite3.connect(sys.argv[1])
prepare(log)
print("ready", flush=True)
k = int(sys.argv[2])
while True:
    k += 1
    run = MadeEntry(f"r{k}", f"2026-01-01T00:00:00.{k:09d}", "j", "p", "s", "proved", 1.0, 2.0, "good", "x" * 500)
    some = [MeasuredEntry(f"m{k}-{i}", f"r{k}", "2026", "depth", "", 1.0, 1.0, "mm", "") for i in range(3)]
    add(log, [run, *some])
    print(k, flush=True)
"""


def test_nothing_committed_is_lost_to_kills(tmp_path):
    """A writer is killed at an arbitrary moment, again and again; what it said was logged is there, whole."""
    path = tmp_path / "log.sqlite"
    said = 0
    for kill in range(KILLS):
        # recorded: waits of 2 to 60 ms hit the writer before, in and after its commits
        said = max(said, _killed_writer(path, said + 1000, 0.002 + 0.058 * ((kill * 7) % KILLS) / KILLS))
        log = opened(path)
        runs, found = made(log), measured(log)
        assert log.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
        log.close()
        numbers = {int(run.uid[1:]) for run in runs}
        assert said in numbers or said == 0
        assert len(found) == 3 * len(runs)  # a run and what was measured on it come together or not at all
    assert said > 0


def _killed_writer(path: Path, first: int, wait_s: float) -> int:
    """Start a writer, kill it after a while, and return the last number it said was committed."""
    source = str(Path(sys.modules["newel.core.errors"].__file__).parents[2])
    process = subprocess.Popen(
        [sys.executable, "-c", WRITER, str(path), str(first)], stdout=subprocess.PIPE, env={**os.environ, "PYTHONPATH": source}
    )
    assert process.stdout is not None
    assert process.stdout.readline() == b"ready\n"
    time.sleep(wait_s)
    os.kill(process.pid, signal.SIGKILL)
    lines = process.stdout.read().split(b"\n")[:-1]
    process.wait()
    return int(lines[-1]) if lines else 0


def test_clock_factor_needs_three_and_says_its_band():
    runs = [replace(RUN, uid=f"r{k}", planned_min=p, taken_min=t) for k, (p, t) in enumerate([(10, 11), (20, 22.2), (5, 5.4)])]
    assert clock_factor(runs[:2]) is None
    found = clock_factor([*runs, replace(RUN, uid="x", outcome="failed", taken_min=1.0)])
    assert found is not None
    # derived: ratios 1.1, 1.11, 1.08: mean 1.09667, spread 0.0152753, t(0.975, 2) = 4.302653 over sqrt 3
    assert found.proposed == pytest.approx(1.0966667, abs=1e-6)
    assert found.band == pytest.approx(4.302653 * 0.0152753 / math.sqrt(3.0), rel=1e-4)
    assert found.worth_it and found.entries == 3


def test_chance_is_called_chance():
    runs = [replace(RUN, uid=f"r{k}", planned_min=10.0, taken_min=t) for k, t in enumerate([9.0, 11.0, 10.2])]
    found = clock_factor(runs)
    assert found is not None and not found.worth_it and "chance" in found.because


def test_bending_and_cutter_diameter():
    bent = [replace(FOUND, uid=f"m{k}", what="bending", planned=0.1, found=v) for k, v in enumerate([0.13, 0.131, 0.129])]
    found = bending_factor(bent)
    assert found is not None and found.proposed == pytest.approx(1.3, abs=1e-9) and found.worth_it  # derived: the mean ratio
    slots = [replace(FOUND, uid=f"m{k}", found=5.95 + d) for k, d in enumerate((-0.004, 0.0, 0.004))]
    rib = replace(FOUND, uid="m9", what="width", planned=10.0, found=10.05)
    worn = cutter_diameter([*slots, rib], "1/4 in flat", 6.35)
    # derived: slots 0.05 too narrow and a rib 0.05 too wide: the cutter is 0.05 smaller
    assert worn is not None and worn.proposed == pytest.approx(6.30, abs=1e-9) and worn.worth_it
    assert cutter_diameter(slots, "another", 6.0) is None
    assert len(proposals([], [*bent, *slots], [("1/4 in flat", 6.35)])) == 2


def check(feature, planned, found, **more):
    return Check(feature, planned, found, **more)


def test_next_part_same_everywhere_is_a_height():
    found = changes([check(Feature.DIAMETER, 30.0, 30.2), check(Feature.DIAMETER, 20.0, 20.2), check(Feature.DEPTH, 4.0, 3.9)])
    assert len(found) == 1 and "length offset" in found[0].what
    assert found[0].by == pytest.approx(-0.1)  # derived: 0.2 in diameter, 0.1 in depth, are 0.1 in height


def test_next_part_growing_outward_is_bending():
    found = changes([check(Feature.DIAMETER, 20.0, 20.0 + 2 * 0.001 * x, from_jaws_mm=x) for x in (10.0, 40.0, 70.0, 100.0)])
    assert [change.unit for change in found] == ["pass"] and "gives way" in found[0].because


def test_next_part_opposite_sides_are_an_offset():
    found = changes([check(Feature.SIDE, 12.0, 12.15, a_deg=0.0), check(Feature.SIDE, 12.0, 11.85, a_deg=180.0)])
    assert len(found) == 1 and found[0].by == pytest.approx(-0.15) and "side A 0" in found[0].what


def test_next_part_slots_and_ribs_are_the_cutter():
    found = changes([check(Feature.SLOT_WIDTH, 6.0, 5.94), check(Feature.WIDTH, 10.0, 10.06)])
    assert len(found) == 1 and found[0].by == pytest.approx(-0.06) and "diameter DC" in found[0].what


def test_next_part_leaves_noise_alone():
    assert changes([check(Feature.DIAMETER, 30.0, 30.01), check(Feature.SLOT_WIDTH, 6.0, 6.01)]) == ()


def test_checks_are_read_or_told():
    text = "feature,planned_mm,found_mm,from_jaws_mm\ndiameter,30,30.1,20\nSlot width,6,5.95,\n"
    some = read_checks(text)
    assert some[0].from_jaws_mm == 20.0 and math.isnan(some[1].from_jaws_mm)
    for bad, says in (
        ("a,b\n", "lacks"),
        (text.replace("30.1", "x"), "not a number"),
        (text.replace("diameter", "girth"), "no feature"),
        ("feature,planned_mm,found_mm\n", "no measurement"),
    ):
        with pytest.raises(BadInput, match=says):
            read_checks(bad)
