"""The page on a part that is cut side by side: its sides, cuts, holes and lists of the job file, from drop to proof."""

from __future__ import annotations

import importlib.util
import re
from pathlib import Path

import manifold3d
from playwright.sync_api import Page, expect

from newel.geometry.meshes import write_stl
from page_samples import MAKE_MS, Served, no_serious_finding
from side_parts import mesh_of

COARSE = """
[sides]
angles_deg = [0, 90, 180, 270]
"""


def _block() -> tuple[str, bytes]:
    """A block of 24 x 16 x 16 mm with a hole of 8 mm, 6 mm deep, in its top: as STEP where that can be read, else as STL."""
    if importlib.util.find_spec("OCP") is not None:
        from step_samples import block_with_hole_shape, step_bytes

        return "block.step", step_bytes(block_with_hole_shape())
    solid = manifold3d.Manifold.cube((24.0, 16.0, 16.0)).translate((0.0, -8.0, -8.0))
    hole = manifold3d.Manifold.cylinder(10.0, 4.0, 4.0, 64).translate((12.0, 0.0, 2.0))
    return "block.stl", write_stl(mesh_of(solid - hole))


def _coarse(text: str) -> str:
    """Ask for less than the first job file does, so that it is made in seconds."""
    text = re.sub(r"tolerance_mm = \S+", "tolerance_mm = 0.2", text)
    text = re.sub(r"resolution_mm = \S+", "resolution_mm = 0.4", text)
    return re.sub(r"# cutters = .*", 'cutters = ["6 mm flat", "V 90°, flat 0.2, 6 mm shank"]', text) + COARSE


def test_sides_are_shown_overruled_proved_and_compared(empty_page: Served, tab: Page, axe: str) -> None:
    name, model = _block()
    tab.goto(empty_page.address)
    tab.set_input_files("#model-file", {"name": name, "mimeType": "application/octet-stream", "buffer": model})
    expect(tab.get_by_role("tab", name="Plan")).to_have_attribute("aria-selected", "true", timeout=MAKE_MS)
    job = empty_page.folder / "block.toml"
    assert f'file = "{name}"' in job.read_text()

    # material by its field, the rest in the text of the job file
    tab.get_by_role("tab", name="Set out").click()
    tab.get_by_label("Material", exact=True).select_option("beech")
    text = tab.get_by_label("Job file")
    expect(text).to_have_value(re.compile('material = "beech"'))
    text.fill(_coarse(text.input_value()))
    expect(tab.locator(".save-state")).to_have_text("saved", timeout=MAKE_MS)
    tab.get_by_role("button", name="Plan", exact=True).click()
    expect(tab.get_by_role("tab", name="Plan")).to_have_attribute("aria-selected", "true", timeout=MAKE_MS)
    expect(tab.locator(".side-list").first.locator("li")).to_have_count(4)
    expect(tab.locator(".cuts")).to_contain_text("Ø 8.00 mm")
    for show in ("the part", "by side", "out of reach"):
        tab.get_by_role("button", name=show, exact=True).click()
        expect(tab.get_by_role("button", name=show, exact=True)).to_have_attribute("aria-pressed", "true")

    # a cut pointed out by keyboard
    cut = tab.locator("button.cut").first
    cut.focus()
    tab.keyboard.press("Enter")
    expect(cut).to_have_attribute("aria-pressed", "true")
    no_serious_finding(tab, axe, "plan of sides")

    # fields of sides: a bevel asked for
    tab.locator(".asked > details > summary").click()
    tab.get_by_label("[bevel] width_mm", exact=True).fill("0.5")
    tab.get_by_role("button", name="Set [bevel] width_mm").click()
    expect(tab.locator(".cuts")).to_contain_text("bevel", timeout=MAKE_MS)
    expect(tab.locator(".changes")).to_contain_text("Cuts, in order")
    assert "[bevel]\nwidth_mm = 0.5" in job.read_text()
    tab.get_by_label("Overrule: sides").click()
    expect(tab.get_by_label("[sides] angles_deg").first).to_have_value("0, 90, 180, 270")

    tab.get_by_role("button", name="Make and prove").click()
    expect(tab.locator(".stamp")).to_have_text(re.compile("verdict\\s*proved", re.I), timeout=2 * MAKE_MS)
    expect(tab.locator(".chart")).to_have_count(5)
    expect(tab.locator(".charts")).to_contain_text("torque on the spindle")
    with tab.expect_download() as held:
        tab.get_by_role("link", name="program", exact=True).click()
    assert "G21" in Path(held.value.path()).read_text()
    tab.get_by_role("tab", name="Plan").click()
    tab.locator("button.cut", has_text="bore").first.click()
    expect(tab.locator(".moment")).not_to_contain_text("0 min 00 s of")
    tab.get_by_role("tab", name="Compare").click()
    tab.locator("#compare-show").select_option("sides")
    expect(tab.locator(".compare table")).to_contain_text("0°, 90°, 180°, 270°")
    no_serious_finding(tab, axe, "compare of sides")

    # a program that someone else wrote, beside ours: the same moves, and at the end one down into the part
    ours = (empty_page.folder / "block.out" / "program.ngc").read_text()
    foreign = re.sub(r"\(.*\)\n", "", ours).replace("M30", "G0 X27.0 Y0.0\nZ2.0\nZ40.0\nM30")
    tab.set_input_files("#program-file", {"name": "other.ngc", "mimeType": "text/plain", "buffer": foreign.encode()})
    expect(tab.locator("#right-run option", has_text="other.ngc")).to_have_count(1, timeout=MAKE_MS)
    verdicts = tab.locator(".compare tbody tr").first
    expect(verdicts).to_contain_text("provednot proved", timeout=MAKE_MS)
    expect(verdicts).to_have_class("differs")
    assert tab.locator(".compare tr.differs", has_text="cuts in the plan").count() == 0
    expect(tab.get_by_role("tab", name="Compare")).to_have_attribute("aria-selected", "true")

    # and a plan of before: what it decided otherwise
    tab.locator("#left-run").select_option(tab.locator("#left-run option", has_text="planned").first.get_attribute("value"))
    expect(verdicts).to_contain_text("plannednot proved")
    expect(tab.locator(".compare tr.differs", has_text="order of the cuts")).to_have_count(1)

    # its finding leads to the line, and to the moment
    tab.get_by_role("tab", name="Proof").click()
    expect(tab.locator(".stamp")).to_have_text(re.compile("not proved", re.I))
    line = foreign.splitlines().index("Z2.0") + 1
    tab.get_by_role("slider", name="Moment of the program").press("Home")
    tab.locator(".findings .obstacle button", has_text=f"line {line}").first.click()
    expect(tab.locator(".moment")).to_contain_text(f"line {line}")
    expect(tab.locator(".line[aria-current]")).to_contain_text("Z2.0")
