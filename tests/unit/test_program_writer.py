"""How programs are written: the head, safe ways in and out, feeds that keep the asked speed over the turning work."""

from __future__ import annotations

import numpy as np
import pytest

from newel.core.dialect import ReadTraits, WriteTraits
from newel.core.errors import BadInput
from newel.core.job import FeedWords, Section, TurnStyle
from newel.core.motion import MoveKind, RowKind, Toolpath
from newel.core.setup import SetUp, SetUpBar
from newel.program.interpreter import interpret
from newel.program.writer import WrittenCut, write_program

BAR = SetUpBar(Section.SQUARE, (40.0,), -20.0, 100.0, 45.0)


def set_up(**changes) -> SetUp:
    known = {"table_from_program_mm": (0.0, 0.0, 0.0), "a_zero_deg": 0.0, "a_sense": 1, "along_x": 1, **changes}
    return SetUp(BAR, None, *known.values(), "G54", (), (), (), 60.0, (0.0, 0.0, 0.0))


def path(*rows: tuple[float, ...], feed: float = 300.0) -> Toolpath:
    """Rows of x, y, z, theta: the first by a rapid, the others fed."""
    feeds = np.full(len(rows), feed)
    feeds[0] = 0.0
    kind = np.full(len(rows), MoveKind.CUT, dtype=np.uint8)
    kind[0] = MoveKind.RAPID
    return Toolpath(np.array(rows, dtype=float), feeds, kind)


def write(
    *cuts: WrittenCut, traits: WriteTraits | None = None, setup: SetUp | None = None, limit: float = 36_000.0
) -> list[str]:
    known = {"name": "a job", "work_offset": "G54", "fastest_per_min": (1e6, 1e6, 1e6, limit), "safe_z_mm": 50.0}
    (file,) = write_program(cuts, setup or set_up(), traits or WriteTraits(), **known)
    return file.text.splitlines()


def test_a_whole_program():
    """Recorded: the words in their order, so that a change of them is seen."""
    one = WrittenCut("rough (around)", 1, 9000.0, path((10, 0, 30, 0), (10, 0, 20, 0), (20, 0, 20, 90)))
    two = WrittenCut("finish", 2, 18000.0, path((10, 1.5, 25, 90), (20, 1.5, 25, 90)))
    lines = [line for line in write(one, two) if not line.startswith("(")]
    assert lines == [
        "G21",
        "G17 G40 G49 G80 G90 G94",
        "G54",
        "T1 M6",
        "G43 H1",
        "G0 Z50.0",
        "S9000 M3",
        "G0 X10.0 Y0.0 A0.0",
        "G0 Z30.0",
        "G93",
        "G1 Z20.0 F30.0",
        "X20.0 A90.0 F9.0994",
        "G94",
        "G0 Z50.0",
        "M5",
        "T2 M6",
        "G43 H2",
        "G0 Z50.0",
        "S18000 M3",
        "G0 X10.0 Y1.5",
        "G0 Z25.0",
        "G1 X20.0 F300.0",  # the bar stands still: plain units a minute
        "G0 Z50.0",
        "M5",
        "M30",
    ]


def test_the_head_says_what_must_be_known():
    cut = WrittenCut("c", 3, 9000.0, path((10, 0, 30, 0), (10, 0, 20, 0)))
    for setup, words in (
        (set_up(), ("X grows toward the tailstock", "from +Y to +Z", "Y0 Z0 is on the rotary axis", "X0 is at the jaw face")),
        (
            set_up(a_sense=-1, along_x=-1, table_from_program_mm=(-12.0, 0.0, 20.0)),
            ("toward the chuck", "from +Z to +Y", "12.000 mm"),
        ),
    ):
        head = "\n".join(line for line in write(cut, setup=setup) if line.startswith("("))
        for word in ("a job", "mm and degrees", "work offset G54", "cutter 3", *words):
            assert word in head
    wrapped = "\n".join(write(cut, traits=WriteTraits(turn_style=TurnStyle.WRAPPED, units="inch")))
    assert "turns the shorter way" in wrapped
    assert "inches and degrees" in wrapped


def test_every_line_of_a_head_is_a_legal_comment():
    cut = WrittenCut("a (bad) title; with ö and\nmore", 1, 9000.0, path((10, 0, 30, 0), (10, 0, 20, 0)))
    result = interpret("\n".join(write(cut)), ReadTraits(long_lines=False, percent_optional=False))
    assert result.findings == ()


def fed(cut: WrittenCut, **kwargs) -> float:
    """Return the minutes of the last fed row."""
    motion = interpret("\n".join(write(cut, **kwargs)), ReadTraits()).motion
    return float(motion.minutes[motion.kind == RowKind.FEED][-1])


@pytest.mark.parametrize("words", list(FeedWords))
def test_feed_is_speed_over_the_work(words):
    """F6, F7, derived: X10 A90 at radius 20 is 32.969083 mm over the work; at 300 mm/min 6.593817 s."""
    cut = WrittenCut("c", 1, 9000.0, path((0, 0, 20, 0), (10, 0, 20, 90)))
    assert fed(cut, traits=WriteTraits(feed_words=words)) * 60 == pytest.approx(6.593817, rel=1e-4)


@pytest.mark.parametrize("words", list(FeedWords))
def test_a_turn_alone(words):
    """T8, derived: 600 mm/min at radius 10 is 3437.7468 degrees/min, so 90 degrees take 1.570796 s."""
    cut = WrittenCut("c", 1, 9000.0, path((0, 0, 10, 0), (0, 0, 10, 90), feed=600.0))
    assert fed(cut, traits=WriteTraits(feed_words=words)) * 60 == pytest.approx(1.570796, rel=1e-4)


@pytest.mark.parametrize("words", list(FeedWords))
def test_near_the_axis_the_rotary_sets_the_pace(words):
    """T10, derived: 300 mm/min at radius 0.5 would be 34377 degrees/min; at a limit of 3600, 90 degrees take 1.5 s."""
    cut = WrittenCut("c", 1, 9000.0, path((0, 0, 0.5, 0), (0, 0, 0.5, 90)))
    assert fed(cut, traits=WriteTraits(feed_words=words), limit=3600.0) * 60 == pytest.approx(1.5, rel=1e-4)


def test_a_crumb_beside_a_turn_waits():
    """F10: X0.001 A90 at units a minute would need an absurd F; the crumb waits and the turn is timed in degrees."""
    cut = WrittenCut("c", 1, 9000.0, path((0, 0, 20, 0), (0.001, 0, 20, 90)))
    lines = write(cut, traits=WriteTraits(feed_words=FeedWords.PER_MINUTE))
    assert "G1 A90.0 F859.4" in lines[-4]
    # Derived: 20 * pi/2 mm at 300 mm/min is 0.104720 min; 90 degrees over that 859.437 degrees/min.
    cut = WrittenCut("c", 1, 9000.0, path((0, 0, 20, 0), (0.001, 0, 20, 90), (0.002, 0, 20, 180), (0.003, 0, 20, 270)))
    lines = write(cut, traits=WriteTraits(feed_words=FeedWords.PER_MINUTE))
    assert lines[-4].startswith("X0.003 A270.0")


def test_following_the_bar_is_bounded():
    """A tip that turns with the bar moves nothing over the work; the axes still take a tenth of their path at the feed."""
    cut = WrittenCut("c", 1, 9000.0, path((0, 0, 20, 0), (0, -20 * np.sin(np.radians(1)), 20 * np.cos(np.radians(1)), 1)))
    assert fed(cut) == pytest.approx(20 * np.radians(1) / 10 / 300, rel=2e-2)


def test_line_numbers_start_again_after_five_digits():
    rows = [(0.0, 0.0, 20.0, 0.0)] + [(0.01 * i, 0.0, 20.0, 0.0) for i in range(1, 100_100)]
    cut = WrittenCut("c", 1, 9000.0, path(*rows))
    lines = [line for line in write(cut, traits=WriteTraits(line_numbers=True)) if not line.startswith("(")]
    numbers = [int(line.split()[0][1:]) for line in lines]
    assert numbers[:3] == [1, 2, 3]
    assert max(numbers) == 99_999
    assert interpret("\n".join(lines), ReadTraits(long_lines=False)).findings == ()


@pytest.mark.parametrize(
    "cut",
    [
        WrittenCut("c", 1, 9000.0, path((0, 0, np.nan, 0))),
        WrittenCut("c", 1, 9000.0, path((0, 0, 1, 0), (0, 0, 2, 0), feed=-1.0)),
        WrittenCut("c", 1, 9000.0, path((0, 0, 1, 0), (0, 0, 2, 0), feed=np.inf)),
        WrittenCut("c", 1, 9000.0, path((0, 0, 1e15, 0))),
        WrittenCut("c", 1, 9000.0, Toolpath(np.zeros((0, 4)), np.zeros(0), np.zeros(0, np.uint8))),
    ],
)
def test_what_cannot_be_written_is_refused(cut):
    with pytest.raises(BadInput):
        write(cut)


def test_nothing_to_write_is_refused():
    with pytest.raises(BadInput):
        write()
    with pytest.raises(BadInput):
        write(WrittenCut("c", 1, 9000.0, path((0, 0, 1, 0))), limit=0.0)
    with pytest.raises(BadInput):
        write(WrittenCut("c", 1, 9000.0, path((0, 0, 1, 0))), traits=WriteTraits(units="cubit"))
    with pytest.raises(BadInput):
        write(WrittenCut("c", 1, 9000.0, path((0, 0, 1, 0))), setup=set_up(a_sense=0))


def test_coolant_and_a_control_without_length_words():
    traits = WriteTraits(coolant="M7", length_offset="", tool_change="")
    lines = write(WrittenCut("c", 1, 9000.0, path((0, 0, 30, 0), (1, 0, 30, 0))), traits=traits)
    assert "M7" in lines and lines[-3:] == ["M9", "M5", "M30"]
    assert not any("H1" in line or "M6" in line for line in lines)
