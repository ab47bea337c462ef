"""A machine's first run: what carves and what measures is compiled beside, once, by doing it to a thumb of a bar."""

import os

import numpy as np
import pytest

from newel.app import kernel_cache
from newel.app.cores import cores
from newel.app.first_proof import carve_thumb, measure_thumb, thumb_case
from newel.core.findings import Severity
from newel.geometry.blank import volume_mm3
from newel.proof.prove import read_course


def test_the_thumb_program_is_read_without_a_finding_and_turns_tilts_and_bends():
    course, found = read_course(thumb_case(), lambda stage, share: None)
    assert not [item for item in found if item.severity is Severity.OBSTACLE]
    motion = course.motion
    assert np.nanmax(motion.xyza[:, 3]) > 360.0
    assert np.nanmax(motion.xyza[:, 1]) == pytest.approx(2.0, abs=0.1)


def test_the_thumb_is_carved():
    bar_mm3 = np.pi * 25.0 * 38.0
    assert 0.9 * bar_mm3 < volume_mm3(carve_thumb()) < 0.99 * bar_mm3


def test_the_uncarved_thumb_is_measured_against_its_model():
    measured = measure_thumb().deviation
    assert measured.leftover_max_mm == pytest.approx(2.0, abs=0.1)  # a bar of radius 5 over a journal of radius 3
    assert measured.gouge_max_mm == pytest.approx(0.0, abs=1e-3)


@pytest.fixture
def kernels(tmp_path, monkeypatch):
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    monkeypatch.setenv("NUMBA_DISABLE_JIT", "0")
    monkeypatch.setattr(kernel_cache, "cores", lambda: 2)
    return tmp_path


def test_a_filled_cache_starts_nothing(kernels):
    (kernels / f"filled-{kernel_cache.fingerprint()}").touch()

    def progress(stage, share):
        pass

    assert kernel_cache.filled_first(progress) is progress


def test_where_one_core_may_be_used_nothing_is_started(kernels, monkeypatch):
    monkeypatch.setattr(kernel_cache, "cores", lambda: 1)

    def progress(stage, share):
        pass

    assert kernel_cache.filled_first(progress) is progress


@pytest.mark.skipif(not hasattr(os, "sched_setaffinity"), reason="this system binds no process to cores")
def test_cores_are_those_that_the_process_is_bound_to():
    before = os.sched_getaffinity(0)
    os.sched_setaffinity(0, {min(before)})
    try:
        assert cores() == 1
    finally:
        os.sched_setaffinity(0, before)
    assert cores() == len(before)


def test_compiling_that_fails_stops_nobody_and_is_tried_again(kernels, monkeypatch):
    monkeypatch.setattr(kernel_cache, "_PARTS", ("no such part",))
    told = []
    progress = kernel_cache.filled_first(lambda stage, share: told.append(stage))
    progress("read", 0.0)
    progress("plan", 0.0)
    progress("plan", 1.0)
    assert told == ["read", "compile", "plan", "plan"]
    assert not list(kernels.glob("filled-*"))


def test_a_cache_is_filled_once(kernels, monkeypatch):
    monkeypatch.setattr(kernel_cache.subprocess, "Popen", lambda *words, **more: Done())
    progress = kernel_cache.filled_first(lambda stage, share: None)
    progress("read", 0.0)
    assert not list(kernels.glob("filled-*"))  # a job that can't be read starts nothing
    progress("plan", 0.0)
    assert [path.name for path in kernels.glob("filled-*")] == [f"filled-{kernel_cache.fingerprint()}"]


class Done:
    """A process that has done what it was asked."""

    def wait(self):
        return 0

    def kill(self):
        pass


def test_who_stops_the_run_stops_the_compiling(kernels, monkeypatch):
    stopped = Stopped()
    monkeypatch.setattr(kernel_cache.subprocess, "Popen", lambda *words, **more: stopped)
    with pytest.raises(KeyboardInterrupt):
        kernel_cache.filled_first(lambda stage, share: None)("plan", 0.0)
    assert stopped.killed
    assert not list(kernels.glob("filled-*"))


class Stopped:
    """A process that is waited for when Ctrl-C comes."""

    killed = False

    def wait(self):
        raise KeyboardInterrupt

    def kill(self):
        self.killed = True
