"""A small job, a running page, and a browser to look at it with."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import sys
import tempfile
import time
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, Page, sync_playwright

from newel.app.kernel_cache import use_kernel_cache
from newel.app.page.building import build, is_built, npm
from page_samples import JOB, Served, peg_stl

WEB = Path(__file__).parents[2] / "src/newel/app/page/web"  # an installed Newel carries only the built page


@pytest.fixture(scope="session")
def built() -> None:
    """See that the page is built."""
    if not is_built():
        build()


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A folder with the peg and its job."""
    (tmp_path / "peg.stl").write_bytes(peg_stl())
    (tmp_path / "peg.toml").write_text(JOB, encoding="utf-8")
    return tmp_path


@pytest.fixture
def empty_page(built: None, tmp_path: Path) -> Iterator[Served]:
    """`newel open` in an empty folder."""
    yield from _serve(tmp_path, [])


@pytest.fixture
def page_of_job(built: None, folder: Path) -> Iterator[Served]:
    """`newel open peg.toml`."""
    yield from _serve(folder, ["peg.toml"])


@pytest.fixture(scope="session")
def axe() -> Iterator[str]:
    """The accessibility checker's own script, fetched by the page's lock file."""
    with tempfile.TemporaryDirectory() as scratch:
        for name in ("package.json", "package-lock.json", ".npmrc"):
            shutil.copy(WEB / name, scratch)
        npm(["ci", "--no-audit", "--no-fund", "--ignore-scripts"], Path(scratch))
        yield (Path(scratch) / "node_modules" / "axe-core" / "axe.min.js").read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    """Debian's Chromium, drawing 3D in software."""
    found = shutil.which("chromium") or shutil.which("chromium-browser")
    assert found, "the page's tests need chromium (Debian: apt-get install chromium)"
    with sync_playwright() as player:
        browser = player.chromium.launch(
            executable_path=found,
            args=["--no-sandbox", "--enable-unsafe-swiftshader"],
        )
        yield browser
        browser.close()


@pytest.fixture
def tab(browser: Browser) -> Iterator[Page]:
    """A fresh tab that fails the test on any error of the page and any request that leaves this machine."""
    context = browser.new_context(viewport={"width": 1280, "height": 1000}, accept_downloads=True)
    page = context.new_page()
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.on(
        "request",
        lambda asked: None if asked.url.startswith(("http://127.0.0.1", "data:", "blob:")) else wrong.append(asked.url),
    )
    yield page
    context.close()
    assert not wrong


def _serve(folder: Path, words: list[str]) -> Iterator[Served]:
    use_kernel_cache("tests")  # as the other tests: compiled once
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [sys.executable, "-m", "newel.app.cli", "open", *words, "--no-browser", "--port", str(port)]
    server = subprocess.Popen(command, cwd=folder, env=dict(os.environ), stdout=subprocess.PIPE, stderr=subprocess.STDOUT)
    address = f"http://127.0.0.1:{port}/"
    try:
        for _ in range(600):
            try:
                urllib.request.urlopen(address, timeout=2).close()
                break
            except OSError:
                assert server.poll() is None, server.stdout and server.stdout.read()
                time.sleep(0.05)
        yield Served(address, folder, server)
    finally:
        server.terminate()
        server.wait(timeout=20)
