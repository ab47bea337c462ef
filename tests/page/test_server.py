"""What the page's server lets through: hosts, origins, tokens, sizes and paths. Every expected status is that of RFC 9110."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
import urllib.request
from collections.abc import Iterator
from pathlib import Path

import pytest
from starlette.testclient import TestClient

from newel.app.page.building import BUILT
from newel.app.page.desk import Desk
from newel.app.page.guard import Admission
from newel.app.page.server import MOST_TEXT_BYTES, page_app
from page_samples import Served

HOST = "127.0.0.1:8390"
SOURCES = Path(__file__).parents[2] / "src/newel/app/page/web/src"  # an installed Newel carries only the built page
OURS = {"x-newel": "1"}


@pytest.fixture
def desk(folder: Path) -> Iterator[Desk]:
    """A desk with the peg's job open; nothing runs."""
    desk = Desk(folder, folder / "peg.toml", ())
    yield desk
    desk.end()


@pytest.fixture
def ask(desk: Desk, built: None) -> TestClient:
    return TestClient(page_app(desk, Admission(frozenset({HOST}))), base_url=f"http://{HOST}", follow_redirects=False)


def test_page_and_desk_are_served(ask: TestClient) -> None:
    assert "<script" in ask.get("/").text
    told = ask.get("/api/desk").json()
    assert told["job"]["name"] == "peg.toml"
    assert told["job"]["error"] is None


@pytest.mark.parametrize("host", ["evil.example", "127.0.0.1", "127.0.0.1:1", "localhost.evil.example:8390", ""])
def test_another_host_is_refused(ask: TestClient, host: str) -> None:
    assert ask.get("/api/desk", headers={"host": host}).status_code == 421


def test_nothing_from_elsewhere_is_allowed_in_the_page(ask: TestClient) -> None:
    policy = ask.get("/").headers["content-security-policy"]
    assert "default-src 'none'" in policy
    assert "http" not in policy
    assert "unsafe" not in policy


@pytest.mark.parametrize("headers", [{}, {"origin": "http://evil.example", **OURS}, {"origin": "null", **OURS}])
def test_changes_come_from_our_page_only(ask: TestClient, desk: Desk, headers: dict[str, str]) -> None:
    before = desk.job_text()
    assert ask.put("/api/job", content=before + "# more\n", headers=headers).status_code == 403
    assert desk.job_text() == before


def test_a_job_is_saved_whole_or_refused_with_its_line(ask: TestClient, desk: Desk) -> None:
    text = desk.job_text()
    assert ask.put("/api/job", content=text.replace("0.15", "0.2"), headers=OURS).status_code == 200
    assert "cusp_mm = 0.2  # coarse" in desk.job_text()
    refused = ask.put("/api/job", content=text.replace("cusp_mm", "cups_mm"), headers=OURS)
    assert refused.status_code == 422
    assert "cusp_mm" in refused.json()["remedy"]
    assert "line" in refused.json()["where"]
    assert "cusp_mm = 0.2" in desk.job_text()


def test_one_field_is_set_in_its_place(ask: TestClient, desk: Desk) -> None:
    body = json.dumps({"table": "finish", "key": "tolerance_mm", "value": 0.5})
    assert ask.post("/api/job/field", content=body, headers=OURS).status_code == 200
    assert "tolerance_mm = 0.5\n" in desk.job_text()


def test_one_entry_of_a_list_is_written_and_taken_out(ask: TestClient, desk: Desk) -> None:
    entry = {"table": "thread", "row": 0, "values": {"hole_diameter_mm": 5, "pitch_mm": 0.8}}
    assert ask.post("/api/job/entry", content=json.dumps(entry), headers=OURS).status_code == 200
    assert "[[thread]]\nhole_diameter_mm = 5\npitch_mm = 0.8\n" in desk.job_text()
    assert ask.get("/api/desk").json()["job"]["asked"]["thread"] == [entry["values"]]
    half = {"table": "thread", "row": 1, "values": {"pitch_mm": 1}}
    assert ask.post("/api/job/entry", content=json.dumps(half), headers=OURS).status_code == 422
    assert ask.post("/api/job/entry", content=json.dumps({**entry, "table": "bar"}), headers=OURS).status_code == 422
    assert ask.post("/api/job/entry", content=json.dumps({**entry, "values": {"rm": 1}}), headers=OURS).status_code == 422
    assert ask.post("/api/job/entry", content=json.dumps({**entry, "values": None}), headers=OURS).status_code == 200
    assert "thread" not in desk.job_text()


@pytest.mark.parametrize(
    "name", ["../peg.toml", "/etc/passwd", "..\\x.stl", "a/b.stl", ".hidden.stl", "x.stl\n", "", "con\0.stl"]
)
def test_no_name_leads_out_of_the_folder(ask: TestClient, folder: Path, name: str) -> None:
    before = sorted(folder.rglob("*"))
    assert ask.post("/api/model", params={"name": name}, content=b"solid", headers=OURS).status_code == 422
    assert ask.post("/api/job/open", content=json.dumps({"name": name}), headers=OURS).status_code == 422
    assert sorted(folder.rglob("*")) == before


def test_no_job_may_name_a_model_elsewhere(ask: TestClient, desk: Desk) -> None:
    text = desk.job_text().replace('"peg.stl"', '"../../etc/passwd"')
    refused = ask.put("/api/job", content=text, headers=OURS)
    assert refused.status_code == 422
    assert "outside" in refused.json()["what"]


@pytest.mark.parametrize(
    "path", ["/api/results/../peg.toml", "/api/results/%2e%2e/peg.toml", "/api/results//etc/passwd", "/api/results/peg.toml",
             "/assets/..%2f..%2fserver.py", "/api/runs/1/scene.json", "/api/runs/1/bench.pickle"],
)  # fmt: skip
def test_no_path_leads_to_other_files(ask: TestClient, path: str) -> None:
    assert ask.get(path).status_code in (404, 422)


def test_a_link_among_the_results_is_not_followed(ask: TestClient, folder: Path) -> None:
    out = folder / "peg.out"
    out.mkdir()
    (out / "sheet.pdf").symlink_to("/etc/hostname")
    assert ask.get("/api/results/sheet.pdf").status_code == 404


def test_too_much_is_refused_before_it_is_kept(ask: TestClient) -> None:
    assert ask.put("/api/job", content=b"x" * (MOST_TEXT_BYTES + 1), headers=OURS).status_code == 413
    pieces = (b"x" * 65536 for _ in range(MOST_TEXT_BYTES // 65536 + 2))  # its length is not said before
    assert ask.put("/api/job", content=pieces, headers=OURS).status_code == 413


@pytest.mark.parametrize("body", [b"", b"{", b"[]", b'{"what": "rm"}', b"\xff"])
def test_nonsense_is_answered_not_fatal(ask: TestClient, body: bytes) -> None:
    assert ask.post("/api/runs", content=body, headers=OURS).status_code in (400, 422)


def test_elsewhere_a_token_is_asked_for(desk: Desk, built: None) -> None:
    guarded = TestClient(
        page_app(desk, Admission(frozenset({HOST}), "s3cret")), base_url=f"http://{HOST}", follow_redirects=False
    )
    assert guarded.get("/api/desk").status_code == 401
    assert guarded.get("/?token=wrong").status_code == 401
    let_in = guarded.get("/?token=s3cret")
    assert let_in.status_code == 303
    assert "httponly" in let_in.headers["set-cookie"].lower()
    assert guarded.get("/api/desk").status_code == 200


def test_the_page_is_served_before_anything_that_computes_is_imported() -> None:
    # numba alone takes longer than the page may: 1 s from the start
    asked = "import sys; import newel.app.page.serve, newel.app.page.server; print(*sys.modules)"
    loaded = subprocess.run([sys.executable, "-c", asked], capture_output=True, text=True, check=True).stdout.split()
    assert not {"numba", "numpy", "scipy", "trimesh"} & set(loaded)


def test_ctrl_c_ends_it_without_complaint_while_a_page_listens(page_of_job: Served) -> None:
    listening = urllib.request.urlopen(f"{page_of_job.address}api/news", timeout=20)
    assert listening.readline().startswith(b"data:")
    page_of_job.server.send_signal(signal.SIGINT)
    assert page_of_job.server.wait(timeout=60) in (0, 130)  # 0 where the shell over the tests has it ignored
    assert page_of_job.server.stdout is not None
    assert "ERROR" not in page_of_job.server.stdout.read().decode()
    listening.close()


def test_the_page_is_small(built: None) -> None:
    # so that it is there at once on a tablet, too: 800 kB without geometry (1 kB = 1000 bytes)
    assert sum(path.stat().st_size for path in BUILT.rglob("*") if path.is_file()) < 800_000


def test_every_word_is_in_the_catalogue() -> None:
    """No file of the page but texts.ts holds words for people: a text of two or more words between quotes."""
    said = re.compile(r"""(?:h\("[a-z0-9]+", \{[^}]*\}, |textContent = )["'`]([A-Za-z]+ [a-z ]+)["'`]""")
    found = {path.name: said.findall(path.read_text(encoding="utf-8")) for path in SOURCES.glob("*.ts")}
    assert "texts.ts" in found
    assert not {name: words for name, words in found.items() if words and name != "texts.ts"}
