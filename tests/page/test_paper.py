"""The page on paper: black on white whatever the screen wears, whole, and without what can only be pressed."""

from __future__ import annotations

import io

import numpy as np
from PIL import Image
from playwright.sync_api import Browser, Page, expect

from page_samples import MAKE_MS, Served


def test_the_plan_is_printed_whole_and_white(page_of_job: Served, browser: Browser) -> None:
    context = browser.new_context(viewport={"width": 800, "height": 1000}, color_scheme="dark")
    page = context.new_page()
    page.goto(page_of_job.address)
    expect(page.get_by_role("tab", name="Plan")).to_have_attribute("aria-selected", "true", timeout=MAKE_MS)
    expect(page.locator(".solid[data-run]")).to_be_visible(timeout=MAKE_MS)
    chosen = [item.inner_text() for item in page.locator(".decisions .chosen").all()]
    cuts = [item.inner_text() for item in page.locator("button.cut").all()]
    assert _share_lighter_than(page, 200) < 0.5  # dark on the screen

    page.evaluate("dispatchEvent(new Event('beforeprint'))")  # as the browser does, before it lays the page out for paper
    page.emulate_media(media="print")
    said = page.evaluate("document.body.innerText")
    assert len(chosen) > 8
    assert cuts
    assert not [words for words in (*chosen, *cuts) if words not in said]
    assert not [words for words in ("Overrule", "Make and prove", "Prove again", "Ask for more") if words in said]
    assert _share_lighter_than(page, 200) > 0.8
    assert _drawn_on(page, "canvas.printed")  # what WebGL drew
    clipped = "[...document.querySelectorAll('.scrolls')].filter((box) => box.scrollHeight > box.clientHeight + 1).length"
    assert page.evaluate(clipped) == 0

    page.evaluate("dispatchEvent(new Event('afterprint'))")
    page.emulate_media(media="screen")
    assert page.evaluate("document.documentElement.dataset.theme") == "auto"
    context.close()


def _share_lighter_than(page: Page, grey: int) -> float:
    picture = Image.open(io.BytesIO(page.screenshot(full_page=True))).convert("L")
    return float((np.asarray(picture) > grey).mean())


def _drawn_on(page: Page, canvas: str) -> bool:
    """Tell whether a canvas has more than one colour on it."""
    return bool(
        page.evaluate(
            """(name) => { const c = document.querySelector(name);
            const d = new Uint32Array(c.getContext('2d').getImageData(0, 0, c.width, c.height).data.buffer);
            return new Set(d).size > 20; }""",
            canvas,
        )
    )
