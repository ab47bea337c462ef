"""The page in a browser: the whole road, without 3D, by keyboard alone, and as assistive software reads it."""

from __future__ import annotations

import json
import re
from pathlib import Path

from playwright.sync_api import Browser, Page, expect

from page_samples import MAKE_MS, Served, no_serious_finding, peg_stl


def test_from_a_dropped_model_to_a_proved_program_and_its_sheet(empty_page: Served, tab: Page, axe: str) -> None:
    tab.goto(empty_page.address)
    tab.set_input_files("#model-file", {"name": "peg.stl", "mimeType": "model/stl", "buffer": peg_stl()})
    # a job file is written beside it and planned
    expect(tab.get_by_role("tab", name="Plan")).to_have_attribute("aria-selected", "true", timeout=MAKE_MS)
    assert (empty_page.folder / "peg.toml").is_file()
    expect(tab.get_by_text("how the part lies in the bar")).to_be_visible()

    # a decision overruled lands in the job file and is planned anew: a coarse job, quickly made
    tab.get_by_label("Overrule: cusp").click()
    tab.get_by_label("[finish] cusp_mm").fill("0.15")
    tab.locator(".overrule", has_text="cusp_mm").get_by_role("button", name="Set").click()
    expect(tab.locator(".changes")).to_contain_text("0.15 mm", timeout=MAKE_MS)
    assert "cusp_mm = 0.15" in (empty_page.folder / "peg.toml").read_text()

    # the job file itself, live
    tab.get_by_role("tab", name="Set out").click()
    text = tab.get_by_label("Job file")
    coarse = re.sub(r"tolerance_mm = \S+", "tolerance_mm = 0.4", text.input_value())
    coarse = re.sub(r"resolution_mm = \S+", "resolution_mm = 0.4", coarse)
    coarse = re.sub(r"# cutters = .*", 'cutters = ["6 mm ball"]', coarse)
    coarse = coarse.replace("# rest = false", "rest = false").replace('# direction = "around"', 'direction = "along"')
    text.fill(coarse)
    expect(tab.locator(".save-state")).to_have_text("saved", timeout=MAKE_MS)
    text.fill(coarse + "\nno such thing")
    expect(tab.get_by_role("alert").filter(has_text="not saved")).to_contain_text("line")
    assert "no such thing" not in (empty_page.folder / "peg.toml").read_text()
    text.fill(coarse)
    expect(tab.locator(".save-state")).to_have_text("saved", timeout=MAKE_MS)

    # a second tab sees the run that the first began, and so does a reload in the middle of it
    tab.get_by_role("button", name="Make and prove").click()
    expect(tab.get_by_role("progressbar")).to_be_visible()
    other = tab.context.new_page()
    other.goto(empty_page.address)
    expect(other.get_by_role("button", name="Stop")).to_be_visible()
    other.close()
    tab.reload()
    expect(tab.locator(".stamp")).to_have_text(re.compile("verdict\\s*proved", re.I), timeout=MAKE_MS)

    # scrub: at the first moment the bar is as sawn, at the last it is cut
    slider = tab.get_by_role("slider", name="Moment of the program")
    slider.focus()
    tab.keyboard.press("Home")
    sawn = _blue_share(tab)
    tab.keyboard.press("End")
    done = _blue_share(tab)
    assert sawn > 0.95
    assert 0.05 < done < 0.8
    tab.keyboard.press("PageDown")
    assert "line" in (slider.get_attribute("aria-valuetext") or "")
    tab.get_by_role("button", name="deviation", exact=True).click()
    expect(tab.get_by_text("left over").first).to_be_visible()

    # measure a diameter
    tab.locator(".board .development").click(position={"x": 300, "y": 120})
    expect(tab.locator(".measures")).to_contain_text("diameter")

    # take away
    with tab.expect_download() as held:
        tab.get_by_role("link", name="program", exact=True).click()
    assert "G21" in Path(held.value.path()).read_text()
    with tab.expect_download() as held:
        tab.get_by_role("link", name="set-up sheet").click()
    assert Path(held.value.path()).read_bytes().startswith(b"%PDF")
    proof = json.loads((empty_page.folder / "peg.out" / "proof.json").read_text())
    assert proof["verdict"] == "proved"

    for name in ("Set out", "Plan", "Proof", "Compare", "Axis"):
        tab.get_by_role("tab", name=name).click()
        no_serious_finding(tab, axe, name)


def test_without_webgl_the_board_still_serves(page_of_job: Served, browser: Browser) -> None:
    context = browser.new_context(viewport={"width": 1280, "height": 1000})
    context.add_init_script(
        "const made = HTMLCanvasElement.prototype.getContext;"
        "HTMLCanvasElement.prototype.getContext = function (kind, ...rest) {"
        " return kind.startsWith('webgl') ? null : made.call(this, kind, ...rest); };"
    )
    page = context.new_page()
    wrong: list[str] = []
    page.on("pageerror", lambda error: wrong.append(str(error)))
    page.goto(page_of_job.address)
    expect(page.get_by_role("tab", name="Plan")).to_have_attribute("aria-selected", "true", timeout=MAKE_MS)
    expect(page.get_by_text("draws no 3D here")).to_be_visible()
    assert _drawn(page, ".development")
    assert _drawn(page, ".section")
    context.close()
    assert not wrong


def test_by_keyboard_alone(page_of_job: Served, tab: Page) -> None:
    tab.goto(page_of_job.address)
    expect(tab.get_by_role("tab", name="Plan")).to_have_attribute("aria-selected", "true", timeout=MAKE_MS)
    seen = []
    for _ in range(60):
        tab.keyboard.press("Tab")
        seen.append(
            tab.evaluate("document.activeElement.className + '/' + document.activeElement.textContent.trim().slice(0, 20)")
        )
    assert any("Plan" in item for item in seen)
    assert any("Make and prove" in item for item in seen)
    assert any(item.startswith("development") for item in seen)
    assert any(item.startswith("solid") for item in seen)
    # along the tabs by arrows
    tab.get_by_role("tab", name="Plan").focus()
    tab.keyboard.press("ArrowRight")
    expect(tab.get_by_role("tab", name="Proof")).to_be_focused()
    # a point marked on the development, and taken away
    tab.locator(".board .development").focus()
    tab.keyboard.press("ArrowRight")
    tab.keyboard.press("Enter")
    expect(tab.locator(".measures")).to_contain_text("diameter")
    tab.keyboard.press("Escape")
    expect(tab.locator(".measures")).not_to_contain_text("diameter")
    # a run begun and stopped
    tab.get_by_role("button", name="Make and prove").focus()
    tab.keyboard.press("Enter")
    stop = tab.get_by_role("button", name="Stop")
    stop.focus()
    tab.keyboard.press("Enter")
    expect(stop).to_be_hidden(timeout=20_000)
    expect(tab.locator(".progress")).to_contain_text("stopped")
    assert not (page_of_job.folder / "peg.out").exists()


def test_touches_are_drawn_and_fitted(page_of_job: Served, tab: Page) -> None:
    tab.goto(page_of_job.address)
    expect(tab.get_by_role("tab", name="Plan")).to_have_attribute("aria-selected", "true", timeout=MAKE_MS)
    tab.get_by_role("tab", name="Axis").click()
    tab.get_by_label("What to find").select_option("axis-height-and-centre")
    tab.get_by_role("button", name="Show where to touch").click()
    expect(tab.locator(".touch-drawing")).to_be_visible(timeout=MAKE_MS)
    rows = tab.locator(".axis tbody tr")
    for row in rows.all():
        expected = float(row.locator("td").nth(1).inner_text())
        row.locator("input").fill(f"{expected + 0.1:.3f}")  # the axis stands 0.1 mm high
    tab.get_by_role("button", name="Fit the readings").click()
    expect(tab.locator(".fit-text")).to_contain_text("readings", timeout=MAKE_MS)


def _blue_share(page: Page) -> float:
    """Return how much of the development outside of the jaws still has the marking blue of the bar as sawn."""
    page.wait_for_timeout(400)
    return float(
        page.evaluate(
            """() => { const c = document.querySelector('.development'), r = c.width / c.clientWidth, pen = c.getContext('2d');
            const x0 = Math.round(c.width * 0.4);
            const d = pen.getImageData(x0, 40 * r, c.width - x0 - 20 * r, c.height - 70 * r).data;
            let blue = 0, all = 0;
            for (let k = 0; k < d.length; k += 4) { all++; if (d[k + 2] > d[k] + 8) blue++; }
            return blue / all; }"""
        )
    )


def _drawn(page: Page, canvas: str) -> bool:
    """Tell whether a canvas has anything on it."""
    return bool(
        page.evaluate(
            """(name) => { const c = document.querySelector(name);
            return c.getContext('2d').getImageData(0, 0, c.width, c.height).data.some((v) => v > 0); }""",
            canvas,
        )
    )
