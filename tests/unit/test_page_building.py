"""The page's build: an editable install builds it anew when a source is newer than what stands built."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from newel.app.page import building


def test_a_page_older_than_its_sources_is_not_ready(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    web, built = tmp_path / "web", tmp_path / "built"
    (web / "src").mkdir(parents=True)
    built.mkdir()
    monkeypatch.setattr(building, "WEB", web)
    monkeypatch.setattr(building, "BUILT", built)
    for path in (web / "index.html", web / "package.json", web / "src" / "main.ts"):
        path.write_text("x")
        os.utime(path, (1000, 1000))
    assert not building.is_built()
    page = built / "index.html"
    page.write_text("x")
    os.utime(page, (2000, 2000))
    assert building.is_built()
    os.utime(web / "src" / "main.ts", (3000, 3000))
    assert not building.is_built()


def test_a_page_that_came_without_sources_is_ready(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(building, "WEB", tmp_path / "web")
    monkeypatch.setattr(building, "BUILT", tmp_path)
    assert not building.is_built()
    (tmp_path / "index.html").write_text("x")
    assert building.is_built()
