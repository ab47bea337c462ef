"""The shop: loading, checking, overriding, and the outline each cutter turns. Outlines are derived (plane geometry)."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from newel.core.errors import BadInput
from newel.core.job import FeedWords, Section, Tailstock
from newel.core.plan import Holding, Plan, Stub
from newel.core.profile import Profile
from newel.core.setup import KeepOut, SetUpBar
from newel.core.sources import Standing, source_of
from newel.planning.set_up import keep_outs
from newel.shop.catalogue import load_shop, shipped_texts
from newel.shop.cutters import Cutter, Form, Holder
from newel.shop.outlines import cutter_shape

SHOP = load_shop(shipped_texts())
MILL = SHOP.machines["light benchtop mill"]
CUTTER = """format = 1
[cutters."my cutter"]
form = "flat"
DC = "1/8 in"
APMX = 10
LU = 12
LPR = 20
DCONMS = 3.175
ZEFP = 2
source = "common practice: from the box"
"""


def mill(line: str) -> str:
    """A text that changes one line of the shipped machine."""
    return f'format = 1\n[machines."light benchtop mill"]\n{line}\nsource = "from memory: x"\n'


def with_shipped(text: str):
    return load_shop({**shipped_texts(), "mine.toml": text})


def test_the_shipped_shop_is_large_enough() -> None:
    assert len(SHOP.cutters) >= 20
    assert {cutter.form for cutter in SHOP.cutters.values()} == set(Form)
    assert {cutter.inch for cutter in SHOP.cutters.values()} == {True, False}
    assert len(SHOP.materials) >= 12
    assert {material.kind for material in SHOP.materials.values()} >= {"tooling board", "wood", "board", "plastic", "metal"}
    assert len(SHOP.holders) >= 2
    assert {bar.section for bar in SHOP.bars.values()} == set(Section)


def test_every_row_says_where_it_is_from() -> None:
    rows = [*SHOP.cutters.values(), *SHOP.holders.values(), *SHOP.machines.values(), *SHOP.bars.values()]
    for row in rows:
        assert source_of(row.source).place, row.name
    for material in SHOP.materials.values():
        sources = dict(material.sources)
        for field in dataclasses.fields(material):
            if field.name not in ("name", "kind", "cautions", "sources") and getattr(material, field.name) is not None:
                assert source_of(sources[field.name]).place, (material.name, field.name)


def test_no_figure_of_tooling_board_claims_to_be_published() -> None:
    for material in SHOP.materials.values():
        if material.kind == "tooling board":
            assert all(source_of(text).standing is not Standing.PUBLISHED for _, text in material.sources)


def test_inches_are_read_once_into_mm() -> None:
    assert abs(SHOP.cutters["1/8 in flat"].DC - 3.175) < 1e-12
    assert abs(SHOP.cutters["1/4 in flat"].LPR - 28.575) < 1e-12
    assert SHOP.bars["1 1/2 in square"].size_mm == pytest.approx((38.1,))


def test_the_machine_carries_its_dialect() -> None:
    assert MILL.dialect.writes.feed_words is FeedWords.INVERSE_TIME
    assert MILL.a.wind_up_deg is None
    changed = with_shipped(
        'format = 1\n[machines."light benchtop mill"]\nsource = "common practice: measured"\n'
        '[machines."light benchtop mill".dialect.writes]\nfeed_words = "per minute"\n'
        '[machines."light benchtop mill".a]\nsense = 1\n'
    ).machines["light benchtop mill"]
    assert changed.dialect.writes.feed_words is FeedWords.PER_MINUTE
    assert changed.a.sense == 1
    assert changed.a.max_deg_per_min == MILL.a.max_deg_per_min


@pytest.mark.parametrize(
    ("words", "says"),
    [
        ("clamp_m = 10", "come together"),
        ("clamp_m = 10\nunclamp_m = 10", "must differ"),
        ("clamp_m = 10\nunclamp_m = 8", "M8 can't be told apart"),
    ],
)
def test_a_clamp_needs_two_numbers_of_its_own(words: str, says: str) -> None:
    head = 'format = 1\n[machines."light benchtop mill"]\nsource = "common practice: its manual"\n'
    reads = '[machines."light benchtop mill".dialect.reads]\n'
    with pytest.raises(BadInput, match=says):
        with_shipped(f"{head}{reads}{words}\n")
    told = with_shipped(f"{head}{reads}clamp_m = 10\nunclamp_m = 11\n")
    assert told.machines["light benchtop mill"].dialect.reads.unclamp_m == 11


def test_a_later_text_adds_and_overrides() -> None:
    shop = with_shipped(CUTTER.replace("my cutter", "1/8 in flat"))
    assert shop.cutters["1/8 in flat"].LPR == 20.0
    assert "my cutter" in with_shipped(CUTTER).cutters
    trial = (
        "format = 1\n[materials.beech]\nkc11_N_per_mm2 = [30, 35]\n"
        'sources.kc11_N_per_mm2 = "common practice: my own trial cut"\n'
    )
    beech = with_shipped(trial).materials["beech"]
    assert beech.kc11_N_per_mm2 == (30.0, 35.0)
    assert dict(beech.sources)["kc11_N_per_mm2"].endswith("trial cut")
    assert dict(beech.sources)["mc"] == dict(SHOP.materials["beech"].sources)["mc"]


@pytest.mark.parametrize(
    ("text", "what", "where", "remedy"),
    [
        ("format = 1\n[cutters.\n", "not TOML", "mine.toml", ""),
        (CUTTER.replace("format = 1", "format = 7"), "format", "mine.toml", "format = 1"),
        (CUTTER.replace("[cutters.", "[cuters."), "unknown table 'cuters'", "mine.toml", "'cutters'"),
        (CUTTER.replace("APMX", "APMAX"), "unknown field 'APMAX'", "line 2, cutters 'my cutter'", "'APMX'"),
        (CUTTER.replace("LU = 12\n", ""), "'LU' is missing", "line 2, cutters 'my cutter'", "LU = "),
        (CUTTER.replace('"flat"', '"falt"'), "'falt'", "field form", "'bull nose'"),
        (CUTTER.replace("ZEFP = 2", "ZEFP = 2.5"), "whole number", "field ZEFP", ""),
        (CUTTER.replace("APMX = 10", "APMX = nan"), "finite", "field APMX", ""),
        (CUTTER.replace("APMX = 10", 'APMX = "ten"'), "not a length", "field APMX", ""),
        (CUTTER.replace("APMX = 10", "APMX = true"), "should be a number", "field APMX", ""),
        (CUTTER.replace("APMX = 10", "APMX = 13"), "longer than LU", "field APMX", ""),
        (CUTTER.replace("LU = 12", "LU = 21"), "longer than LPR", "field LU", ""),
        (CUTTER.replace('"1/8 in"', "0"), "DC must be above 0", "field DC", ""),
        (CUTTER.replace('"flat"', '"V"'), "SIG", "field SIG", ""),
        (CUTTER.replace('"flat"', '"ball"'), "half of DC", "field RE", "1.5875"),
        (CUTTER.replace('"flat"', '"V"') + "SIG = 10\n", "does not reach DC", "field APMX", "18.1"),
        (CUTTER.replace('"flat"', '"tapered ball"') + "RE = 0.5\ntaper_half_angle_deg = 4\n", "not reach DC", "field APMX", ""),
        (CUTTER + 'holder = "ER12 nut"\n', "no holder 'ER12 nut'", "field holder", "did you mean 'ER"),
        (CUTTER.replace("common practice: from the box", "the box"), "a source must begin", "field source", ""),
        (CUTTER.replace("common practice: from the box", "from memory:"), "not what or where", "field source", ""),
        ('format = 1\n[cutters."1/8 in flat"]\nLPR = 21\n', "no source", "line 2, cutters '1/8 in flat'", "source"),
        ("format = 1\n[materials.beech]\nmc = 0.4\n", "'mc' is changed but has no source", "materials 'beech'", "sources.mc"),
        ('format = 1\n[materials.beech]\nsources.mcc = "from memory: x"\n', "unknown field 'mcc'", "materials 'beech'", "'mc'"),
        ('format = 1\n[materials.beech]\nmc = -1\nsources.mc = "from memory: x"\n', "above 0", "field mc", ""),
        (
            'format = 1\nbars.x = {section = "square", size_mm = [1, 2], source = "from memory: x"}',
            "1 size",
            "field size_mm",
            "",
        ),
        (mill('chuck_end = "top"'), "chuck_end", "field chuck_end", ""),
        (mill("a.sense = 0"), "sense", "field a.sense", "+1"),
        (mill("table_below_axis_mm = 40"), "strike the table", "table", ""),
        (mill("x.to_mm = -4"), "runs backward", "field x.to_mm", ""),
        (mill("x = 3"), "table", "field x", ""),
    ],
)
def test_a_wrong_row_is_refused_by_text_row_and_field(text: str, what: str, where: str, remedy: str) -> None:
    with pytest.raises(BadInput) as refusal:
        with_shipped(text)
    assert what in refusal.value.what
    assert where in refusal.value.where
    assert refusal.value.where.startswith("mine.toml")
    assert remedy in refusal.value.remedy


def test_a_cutter_not_in_the_shop_is_refused_with_the_nearest() -> None:
    with pytest.raises(BadInput) as refusal:
        SHOP.cutter("1/8in flat", where="job.toml, line 3")
    assert "did you mean '1/8 in flat'" in refusal.value.remedy
    assert refusal.value.where == "job.toml, line 3"


def radius_at(profile: Profile, height: float) -> float:
    """The largest radius of an outline up to a height: the slow obvious way."""
    best = 0.0
    for i in range(len(profile.centre_r_mm)):
        r0, h0, r1, h1 = profile.r_mm[i], profile.h_mm[i], profile.r_mm[i + 1], profile.h_mm[i + 1]
        if h0 > height:
            break
        top = min(height, h1)
        if math.isnan(profile.centre_r_mm[i]):
            here = r1 if h1 <= height else r0 + (r1 - r0) * (top - h0) / (h1 - h0)
        else:
            cr, ch = profile.centre_r_mm[i], profile.centre_h_mm[i]
            here = cr + math.sqrt(max(0.0, math.hypot(r0 - cr, h0 - ch) ** 2 - (top - ch) ** 2))
        best = max(best, r0, here)
    return best


@pytest.mark.parametrize(
    ("name", "height", "radius"),
    [
        ("1/8 in flat", 0.0, 3.175 / 2),
        ("6 mm ball", 0.6, math.sqrt(3**2 - 2.4**2)),  # circle: 1.8
        ("6 mm bull nose R1", 0.0, 2.0),
        ("6 mm bull nose R1", 0.5, 2.0 + math.sqrt(1 - 0.25)),
        ("V 60°, flat 0.2, 1/4 in shank", 3.0, 0.1 + 3.0 * math.tan(math.radians(30))),
        ("V 30°, flat 0.1, 1/8 in shank", 6.5, 3.175 / 2),
        ("tapered ball R0.5, 1/8 in shank", 0.3, math.sqrt(0.5**2 - 0.2**2)),
        # cone tangent to the ball: its apex lies RE (1 / sin a - 1) below the tip
        ("tapered ball R0.5, 1/8 in shank", 10.0, (10.0 + 0.5 / math.sin(math.radians(4)) - 0.5) * math.tan(math.radians(4))),
        ("3 mm drill", 0.5, 0.5 * math.tan(math.radians(59))),
    ],
)
def test_the_edge_has_the_closed_form_radius(name: str, height: float, radius: float) -> None:
    cutter = SHOP.cutter(name)
    edge = cutter_shape(cutter, SHOP.holder_of(cutter), 65.0, 120.0).edge
    assert radius_at(edge, height) == pytest.approx(radius, abs=1e-9)


@pytest.mark.parametrize("name", SHOP.cutters)
def test_every_outline_is_whole(name: str) -> None:
    cutter = SHOP.cutter(name)
    holder = SHOP.holder_of(cutter)
    shape = cutter_shape(cutter, holder, MILL.spindle.nose_diameter_mm, MILL.spindle.nose_length_mm)
    edge, body = shape.edge, shape.body
    assert (edge.r_mm[0], edge.h_mm[0]) == (0.0, 0.0)
    assert edge.top_mm == pytest.approx(cutter.APMX)
    assert edge.radius_mm == pytest.approx(cutter.DC / 2.0, abs=0.1)
    assert edge.radius_mm <= cutter.DC / 2.0 + 1e-9
    assert body.h_mm[0] == pytest.approx(cutter.APMX)
    assert (np.diff(body.h_mm) >= 0).all()
    assert body.top_mm == pytest.approx(cutter.LPR + sum(length for _, length in holder.steps_mm) + 120.0)
    assert body.radius_mm == pytest.approx(32.5)
    assert body.r_mm[0] <= edge.r_mm[-1] + 1e-9
    # arcs: both ends at one distance from the centre, and tangent where the straight flank begins
    for i, (cr, ch) in enumerate(zip(edge.centre_r_mm, edge.centre_h_mm)):
        if not math.isnan(cr):
            first = math.hypot(edge.r_mm[i] - cr, edge.h_mm[i] - ch)
            last = math.hypot(edge.r_mm[i + 1] - cr, edge.h_mm[i + 1] - ch)
            assert first == pytest.approx(last) == pytest.approx(cutter.RE)
    # the house cuts no corner twice
    steps = np.hypot(np.diff(edge.r_mm), np.diff(edge.h_mm))
    assert (steps > 1e-9).all()


def test_the_body_of_a_thin_cutter_steps_out_where_its_shank_begins() -> None:
    cutter = Cutter("x", Form.FLAT, DC=1.0, APMX=3.0, LU=5.0, LPR=20.0, DCONMS=3.0, ZEFP=2, source="", DN=0.9)
    holder = Holder("h", ((19.0, 11.0), (22.0, 14.0)), "")
    body = cutter_shape(cutter, holder, 65.0, 120.0).body
    assert list(zip(body.r_mm, body.h_mm)) == [
        (0.45, 3.0),
        (0.45, 5.0),
        (1.5, 5.0),
        (1.5, 20.0),
        (9.5, 20.0),
        (9.5, 31.0),
        (11.0, 31.0),
        (11.0, 45.0),
        (32.5, 45.0),
        (32.5, 165.0),
    ]
    short = dataclasses.replace(cutter, LU=3.0, DN=None)
    body = cutter_shape(short, holder, 65.0, 120.0).body
    assert list(zip(body.r_mm, body.h_mm))[:4] == [(0.5, 3.0), (1.5, 3.0), (1.5, 20.0), (9.5, 20.0)]


def test_bars_know_what_they_are_sold_in() -> None:
    assert SHOP.bars["40 mm square"].sold_in("tooling board")
    assert not SHOP.bars["19 mm hexagon"].sold_in("wood")


def test_the_housing_stands_still_behind_the_chuck_and_may_be_left_out():
    bar = SetUpBar(Section.ROUND, (20.0,), -15.0, 100.0, 0.0)
    plan = Plan(None, bar, Holding(15.0, Tailstock.NONE, 0.0, Stub(0.0, 1.0, 5.0), None, None), (), ())
    *_, behind = keep_outs(plan, MILL)
    # derived: jaws of 20 mm and a body of 45 mm stand before it, and it is 70 mm long
    assert behind == KeepOut("rotary housing", -135.0, -65.0, 45.0, False)
    assert [item.name for item in keep_outs(plan, dataclasses.replace(MILL, housing=None))] == ["jaws", "chuck"]


@pytest.mark.parametrize("field", ["radius_mm", "length_mm"])
def test_a_housing_without_size_is_refused(field: str):
    text = f'format = 1\n[machines."light benchtop mill"]\nsource = "from memory: x"\nhousing.{field} = 0\n'
    with pytest.raises(BadInput, match=field):
        with_shipped(text)
