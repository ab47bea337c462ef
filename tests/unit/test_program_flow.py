"""O-words, numbered subprograms and the other things the trade adds; each off in a dialect without it."""

from __future__ import annotations

from dataclasses import replace

import pytest

from newel.program.endless import deciding_parameters
from program_samples import STRICT, TRADE, finding_of, obstacles_at, run

pytestmark = pytest.mark.uncompiled


def xs(*lines: str, traits=TRADE) -> list[float]:
    """Return the X of every row."""
    result = run(*lines, traits=traits)
    assert result.findings == (), result.findings
    return result.motion.xyza[:, 0].tolist()


def test_subroutine_with_values_of_its_own():
    lines = ("#1=7", "o100 sub", "G0 X[#1+#2]", "#1=99", "o100 endsub", "o100 call [10] [2]", "o100 call [20]", "G0 X#1", "M2")
    assert xs(*lines) == [12, 20, 7]


def test_return_leaves_early_and_calls_nest():
    lines = (
        "o1 sub",
        "G0 X#1",
        "o2 if [#1 lt 3]",
        "o1 call [#1+1]",
        "o2 endif",
        "o1 return",
        "G0 X99",
        "o1 endsub",
        "o1 call [1]",
        "M2",
    )
    assert xs(*lines) == [1, 2, 3]


@pytest.mark.parametrize(("value", "taken"), [(1, 10), (2, 20), (3, 30), (4, 40)])
def test_conditions(value, taken):
    lines = (
        f"#1={value}",
        "o1 if [#1 eq 1]",
        "G0 X10",
        "o1 elseif [#1 eq 2]",
        "G0 X20",
        "o1 elseif [#1 eq 3]",
        "G0 X30",
        "o1 else",
        "G0 X40",
        "o1 endif",
        "G0 X50",
    )
    assert xs(*lines) == [taken, 50]


def test_while_do_and_repeat():
    assert xs("#1=0", "o1 while [#1 lt 3]", "#1=[#1+1]", "G0 X#1", "o1 endwhile", "G0 X9") == [1, 2, 3, 9]
    assert xs("#1=0", "o1 do", "#1=[#1+1]", "G0 X#1", "o1 while [#1 lt 3]", "G0 X9") == [1, 2, 3, 9]
    assert xs("G91", "o1 repeat [3]", "G0 X1", "o1 endrepeat", "G90 G0 X9") == [1, 2, 3, 9]
    assert xs("o1 repeat [0]", "G0 X1", "o1 endrepeat", "G0 X9") == [9]


def test_break_and_continue():
    lines = (
        "#1=0",
        "o1 while [#1 lt 9]",
        "#1=[#1+1]",
        "o2 if [#1 eq 2]",
        "o1 continue",
        "o2 endif",
        "o3 if [#1 eq 4]",
        "o1 break",
    )
    assert xs(*lines, "o3 endif", "G0 X#1", "o1 endwhile", "G0 X50") == [1, 3, 50]


def test_a_while_with_a_break_may_run_again():
    """A loop left by break is not endless, however often it is entered with nothing changed."""
    lines = ("G91", "o1 repeat [3]", "o2 while [1]", "G0 X1", "o2 break", "o2 endwhile", "o1 endrepeat")
    assert xs(*lines) == [1, 2, 3]


def test_numbered_subprograms():
    lines = ("G91", "M98 P7 L3", "G90 G0 X50", "M30", "O7 (a step)", "G0 X1", "M99")
    assert xs(*lines) == [1, 2, 3, 50]


@pytest.mark.parametrize(
    ("lines", "code", "line"),
    [
        (("o1 while [1]", "G0 X1", "o1 endwhile"), "endless-loop", 1),
        (("#1=0", "o1 while [#1 lt 1]", "#1=[#1-1]", "o1 endwhile"), "endless-loop", 2),
        (("G0 X1", "M99"), "endless-loop", 2),
        (("o1 sub", "o1 call", "o1 endsub", "o1 call"), "endless-loop", 2),
        (("o1 call",), "o-word", 1),
        (("o1 if [1", "o1 endif"), "expression", 1),
        (("o1 if [1]", "o1 else"), "o-word", 2),
        (("o1 while [0]",), "o-word", 1),
        (("o1 endrepeat",), "o-word", 1),
        (("o1 endsub",), "o-word", 1),
        (("o1 wander",), "o-word", 1),
        (("o1 repeat [1.5]", "o1 endrepeat"), "o-word", 1),
        (("G0 X1 o1 call",), "o-word", 1),
        (("M98 P9",), "o-word", 1),
        (("M98",), "o-word", 1),
        (("o<name> call",), "o-word", 1),
        (("#<name>=1",), "parameter-number", 1),
        (("G0 X#30",), "parameter-not-known", 1),
    ],
)
def test_what_cannot_be_followed(lines, code, line):
    result = run(*lines, traits=replace(TRADE, max_loop_turns=500))
    assert obstacles_at(result)[0] in ((code, line), (code, line + 2)), result.findings


def test_nothing_is_followed_past_a_condition_that_is_not_known():
    result = run("G0 X1", "o1 if [#9]", "G0 X2", "o1 endif", "G0 X3", traits=TRADE)
    assert obstacles_at(result) == [("parameter-not-known", 2)]
    assert result.motion.xyza[:, 0].tolist() == [1]


def test_the_bound_on_turns_is_measured():
    result = run("#1=0", "o1 while [#1 ge 0]", "#1=[#1+1]", "o1 endwhile", traits=replace(TRADE, max_loop_turns=100))
    finding = finding_of(result, "endless-loop")
    assert (finding.measured, finding.limit, finding.unit) == (101, 100, "turns")


def test_a_bound_on_rows():
    traits = replace(TRADE, max_rows=1000)
    for lines in (
        ("G91", "o1 repeat [900000]", "G0 X1", "G0 X1", "o1 endrepeat"),
        ["G91 G0 X1", *["X1"] * 3000],
        ("F9", "G91 G81 Z-1 R1 L9999"),
    ):
        result = run(*lines, traits=traits)
        assert [code for code, _ in obstacles_at(result)] == ["too-many-rows"]
        assert len(result.motion) <= 1000


def test_each_trait_can_be_off():
    for lines in (("G0 X1 ; note",), ("o1 call",), ("M98 P1",), ("G90.1",), ("G95",), ("N1234567 G0 X1",), ("O1",)):
        assert obstacles_at(run(*lines, traits=STRICT)) != [], lines
    assert run("G0 X1 ; note (open", "; only a note", traits=TRADE).findings == ()
    assert run("N1234567 G0 X1", "G0 X2" + " " * 300, traits=TRADE).findings == ()
    only_m98 = replace(STRICT, numbered_subprograms=True)
    assert run("M98 P1", "M2", "O1", "G0 X1", "M99", traits=only_m98).findings == ()
    assert obstacles_at(run("o1 sub", traits=only_m98)) == [("not-in-this-dialect", 1)]


def test_block_delete_is_run_and_told():
    result = run("/G0 X1", "/ N5 X2")
    assert [(f.code, f.severity, f.line) for f in result.findings] == [
        ("block-delete", "caution", 1),
        ("block-delete", "caution", 2),
    ]
    assert result.motion.xyza[:, 0].tolist() == [1, 2]


def test_a_sign_before_a_bracket_is_the_trades():
    assert xs("#1=2", "G0 X-#1", "G0 X-[1+2]", "G0 X-sqrt[4]") == [-2, -3, -2]
    assert obstacles_at(run("G0 X-[1]", traits=STRICT)) == [("number-form", 1)]


def test_a_motion_word_alone_on_a_line_puts_it_in_force_and_moves_nothing():
    """Common in the trade, forbidden by NISTIR 6556, 3.5.1 and 3.5.2: the dialect decides."""
    lines = ("G21", "G0", "X1", "G1 F100", "X2", "G0 (up)", "Z5")
    read = run(*lines, traits=TRADE)
    assert read.findings == ()
    assert [(int(k), int(line)) for k, line in zip(read.motion.kind, read.motion.line)] == [(0, 3), (1, 5), (0, 7)]
    strict = run(*lines, traits=replace(TRADE, lone_motion_words=False))
    assert [item for item in obstacles_at(strict) if item[1] in (2, 4, 6)] == [
        ("axis-word-missing", line) for line in (2, 4, 6)
    ]


def test_a_motion_word_alone_ends_a_cycle_and_arcs_still_need_their_axes():
    read = run("G21 F100", "G0 X0 Y0 Z5", "G81 X1 Z-1 R2", "G0", "X9", "G2", traits=TRADE)
    assert obstacles_at(read) == [("arc-words", 6)]
    assert read.motion.xyza[-1].tolist() == [9.0, 0.0, 5.0, 0.0] and read.motion.line[-1] == 5


def test_a_loop_of_many_turns_that_moves_comes_through():
    # 30,000 turns of six lines: over two times what the work that a text may do again allowed when each line was read anew
    result = run(
        "#1=0",
        "o1 while [#1 lt 30000]",
        "#2=[#1/1000]",
        "#3=[#2+1]",
        "G1 X#2 Y#3 F100",
        "#1=[#1+1]",
        "o1 endwhile",
        traits=TRADE,
    )
    assert [item.code for item in result.findings if item.code == "endless-loop"] == []
    assert len(result.motion) == 30_000 and result.motion.xyza[-1, 0] == 29.999


def test_a_loop_that_comes_back_to_where_it_was_is_endless_at_once():
    result = run("#1=0", "o1 while [#1 lt 12]", "#1=0", "G1 X5 F100", "G1 X0", "#1=[#1+1]", "o1 endwhile", traits=TRADE)
    (found,) = [item for item in result.findings if item.code == "endless-loop"]
    assert found.measured < 10 and len(result.motion) < 20


def test_a_loop_that_is_left_by_a_step_of_the_place_is_not_endless():
    # derived: the parameters are the same at every turn of the inner loop's second run, but the tip has moved on
    result = run("G91", "#2=0", "o1 repeat [200]", "G1 X1 F100", "o1 endrepeat", traits=TRADE)
    assert len(result.motion) == 200


@pytest.mark.parametrize(
    "lines",
    [
        ("#1=0", "o1 while [1 lt 12]", "G1 X[#1/4] F100", "#1=[#1+1]", "o1 endwhile"),
        ("#1=0 #2=5", "o1 while [#2 lt 12]", "G1 X[#1/4] F100", "#1=[#1+1]", "o1 endwhile"),
        ("#1=0 #2=5", "o1 do", "G1 X[#1/4] F100", "#1=[#1+1]", "o1 while [#2 lt 12]"),
        # the inner loops end each time; what the outer one looks at swings between two values
        (
            "#2=1 #3=0",
            "o1 while [#2 ne 0]",
            "#2=[0-#2]",
            "o2 repeat [2]",
            "#3=[#3+1]",
            "G1 X#3 F100",
            "o2 endrepeat",
            "o1 endwhile",
        ),
        (
            "#3=0",
            "o1 while [1]",
            "#2=0",
            "o2 while [#2 lt 3]",
            "#2=[#2+1]",
            "#3=[#3+1]",
            "G1 X#3 F100",
            "o2 endwhile",
            "o1 endwhile",
        ),
        ("#3=0", "o1 while [1]", "#3=[#3+1]", "o2 while [1]", "G1 X#3 F100", "o2 break", "o2 endwhile", "o1 endwhile"),
        # in a subroutine, where #1 is its own
        ("o5 sub", "o1 while [#1]", "#3=[#3+1]", "G1 X#3 F100", "o1 endwhile", "o5 endsub", "o5 call [2]"),
    ],
)
def test_a_loop_that_nothing_can_end_is_endless_at_once(lines: tuple[str, ...]) -> None:
    result = run(*lines, traits=TRADE)
    (found,) = [item for item in result.findings if item.code == "endless-loop"]
    assert found.measured < 20 and len(result.motion) < 80


@pytest.mark.parametrize(
    ("lines", "moves"),
    [
        # left by a count that is worked out in two steps
        (("#1=0 #2=0", "o1 while [#2 lt 100]", "#1=[#1+1]", "G1 X#1 F100", "#2=#1", "o1 endwhile"), 100),
        # by a condition inside, on something that counts slowly
        (
            (
                "#1=0",
                "o1 while [1]",
                "#1=[#1+1]",
                "G1 X#1 F100",
                "o2 if [fix[#1/50] eq 2]",
                "o1 break",
                "o2 endif",
                "o1 endwhile",
            ),
            100,
        ),
        # a parameter whose number is worked out counts
        (("#1=0 #2=1", "o1 while [#1 lt 50]", "G1 X#1 F100", "##2=[#1+1]", "o1 endwhile"), 50),
        # the subroutine counts, in a parameter that the loop's own lines never set
        (
            ("o5 sub", "#40=[#40+1]", "o5 endsub", "#40=0", "o1 while [#40 lt 50]", "G1 X#40 F100", "o5 call", "o1 endwhile"),
            50,
        ),
        # the inner loop is left by the outer one's break, and entered again with the same values: 20 times 6 turns
        (
            (
                *("#9=0", "o1 repeat [20]", "o2 while [1]", "#5=0", "o3 while [1]", "#5=[#5+1]", "G91 G1 X1 F100"),
                *("o4 if [#5 eq 6]", "o2 break", "o4 endif", "o3 endwhile", "o2 endwhile", "#9=[#9+1]", "o1 endrepeat"),
            ),
            120,
        ),
        # loops that cross: the second is left, by the first one's end, before it comes round
        (
            (
                *("#1=0 #2=0", "o1 while [#1 lt 30]", "#1=[#1+1]", "G91 G1 X1 F100", "o2 while [#2 lt 1]"),
                *("o1 endwhile", "#2=1", "o2 endwhile"),
            ),
            30,
        ),
        # a subprogram, run again from its beginning
        (("M98 P7 L40", "M2", "O7", "#1=0", "o1 while [#1 lt 5]", "#1=[#1+1]", "G91 G1 X1 F100", "o1 endwhile", "M99"), 200),
    ],
)
def test_a_loop_that_ends_is_not_called_endless(lines: tuple[str, ...], moves: int) -> None:
    result = run(*lines, traits=TRADE)
    assert [item.code for item in result.findings if item.code == "endless-loop"] == []
    assert len(result.motion) == moves


def test_what_decides_a_loop_is_what_its_conditions_are_worked_out_from() -> None:
    lines = ["o1while[#1lt#7]", "#1=[#2+1]#9=0", "#2=#3(#4)", "g1x#5", "#6=#5", "o1endwhile"]
    assert deciding_parameters(lines, 5061) == (1, 2, 3, 7)
    assert deciding_parameters([*lines, "#3=#5070"], 5061) is None  # the control holds it
    assert deciding_parameters([*lines, "#6=#5070"], 5061) == (1, 2, 3, 7)
    for odd in ("##2=1", "#[1]=2", "#1.0=2", "#-1=2", "m98p1", "o2call", "m#1", "#<a>=1"):
        assert deciding_parameters([*lines, odd], 5061) is None, odd
