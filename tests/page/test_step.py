"""A STEP file dropped on the page: read where the extra `step` is installed, plainly refused where it is not."""

from __future__ import annotations

import importlib.util
from pathlib import Path
from typing import Any

import pytest

from newel.app.page import worker

STEP = b"ISO-10303-21;\nHEADER;\nENDSEC;\nDATA;\nENDSEC;\nEND-ISO-10303-21;\n"  # a file without a solid (the standard's frame)


def _outcome(folder: Path, data: bytes) -> tuple[Any, ...]:
    (folder / "part.step").write_bytes(data)
    task = worker.Task("new", str(folder / "part.toml"), str(folder), (), {"model": str(folder / "part.step"), "fit": False})
    return worker._outcome(task, lambda stage, share: None)


def test_without_the_extra_the_refusal_says_what_to_install(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    known = importlib.util.find_spec
    monkeypatch.setattr(importlib.util, "find_spec", lambda name, *rest: None if name.startswith("OCP") else known(name, *rest))
    told = _outcome(tmp_path, STEP)
    assert told[0] == "failed"
    assert "step" in told[3]
    assert not (tmp_path / "part.toml").exists()


def test_with_the_extra_a_solid_becomes_a_job(tmp_path: Path) -> None:
    pytest.importorskip("OCP")
    from OCP.BRepPrimAPI import BRepPrimAPI_MakeBox

    from step_samples import step_bytes

    assert _outcome(tmp_path, STEP)[0] == "failed"  # no solid
    told = _outcome(tmp_path, step_bytes(BRepPrimAPI_MakeBox(30.0, 16.0, 16.0).Shape()))
    assert told[0] == "done", told
    assert 'file = "part.step"' in (tmp_path / "part.toml").read_text()
