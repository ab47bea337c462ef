"""Hypothesis strategies: numbers as people write them, plain lines, whole programs, and ugly texts."""

from __future__ import annotations

from hypothesis import strategies as st

LETTERS = "ABCDFGHIJKLMNPQRSTXYZ"


@st.composite
def numbers(draw, low=-200, high=200, places=4) -> str:
    """Return a number in one of the ways that the language allows."""
    digits = draw(st.integers(0, places))
    value = draw(st.integers(low * 10**digits, high * 10**digits))
    text = f"{abs(value) / 10**digits:.{digits}f}"
    style = draw(st.integers(0, 4))
    if style == 1 and text.startswith("0."):
        text = text[1:]
    if style == 2 and "." not in text:
        text += "."
    if style == 3:
        text = "0" + text
    sign = "-" if value < 0 else draw(st.sampled_from(["", "", "+"]))
    return sign + text


@st.composite
def words(draw, letter: str, **kwargs) -> str:
    """Return a word with `letter` in either case and perhaps blanks inside."""
    text = letter + draw(numbers(**kwargs))
    if draw(st.booleans()):
        text = text.lower()
    if draw(st.integers(0, 9)) == 0 and len(text) > 2:
        text = text[:2] + " " + text[2:]
    return text


@st.composite
def plain_lines(draw) -> str:
    """Return a line of the kind the fast road takes, mostly legal, sometimes not."""
    parts = []
    if draw(st.integers(0, 3)) == 0:
        parts.append(f"N{draw(st.integers(0, 2000000))}")
    code = draw(
        st.sampled_from(
            ["", "", "", "G0", "G1", "G01", "G1", "G2", "G3", "G90", "G91", "G94", "G93", "G17", "G18", "G19", "G21", "G20"]
        )
    )
    if code:
        parts.append(code)
    axes = draw(st.lists(st.sampled_from("XYZA"), unique=True, max_size=4))
    parts += [draw(words(letter, low=-30, high=30)) for letter in axes]
    if draw(st.integers(0, 2)) == 0:
        parts.append("F" + draw(numbers(low=0, high=500)))
    if code in ("G2", "G3"):
        offsets = draw(st.sampled_from(["IJ", "IK", "JK", "I", "J", "K", "R", "R", ""]))
        parts += [draw(words(letter, low=-20, high=20)) for letter in offsets]
    if draw(st.integers(0, 12)) == 0:
        parts.append(
            draw(
                st.sampled_from(
                    ["S1000", "M3", "M5", "G4 P0.5", "M8", "X5", "G53", "G43 H1", "G49", "G55", "G92 X1", "G61.1", "G80"]
                )
            )
        )
    if draw(st.integers(0, 8)) == 0:
        parts.insert(
            draw(st.integers(0, len(parts))), draw(st.sampled_from(["(note)", "(MSG, look)", "( (bad) )", "; tail", "(open"]))
        )
    return draw(st.sampled_from([" ", "", "\t"])).join(parts)


@st.composite
def programs(draw, most=25) -> str:
    """Return a program of plain lines."""
    return "\n".join(draw(st.lists(plain_lines(), max_size=most))) + "\n"


@st.composite
def drawn_arcs(draw) -> list[str]:
    """Return lines that move by arcs which the language allows, in all three planes, by centre and by radius."""
    import math

    plane, letters, offsets = draw(st.sampled_from([("G17", "XY", "IJ"), ("G18", "ZX", "KI"), ("G19", "YZ", "JK")]))
    lines = [f"{plane} G90 G1 {letters[0]}0 {letters[1]}0 F{draw(st.integers(1, 900))}"]
    a = b = 0.0
    for _ in range(draw(st.integers(1, 5))):
        radius = draw(st.integers(1, 40)) / 2
        toward = math.radians(draw(st.integers(0, 359)))
        sweep = math.radians(draw(st.integers(1, 359)))
        code, sign = draw(st.sampled_from([("G3", 1), ("G2", -1)]))
        ca, cb = a + radius * math.cos(toward), b + radius * math.sin(toward)
        t = math.atan2(b - cb, a - ca) + sign * sweep
        ea, eb = round(ca + radius * math.cos(t), 4), round(cb + radius * math.sin(t), 4)
        line = f"{code} {letters[0]}{ea:.4f} {letters[1]}{eb:.4f}"
        if draw(st.booleans()):
            line += f" {offsets[0]}{ca - a:.4f} {offsets[1]}{cb - b:.4f}"
        else:
            line += f" R{radius if sweep <= math.pi else -radius:.4f}"
        if draw(st.booleans()):
            third = (set("XYZ") - set(letters)).pop()
            line += f" {third}{draw(st.integers(-9, 9))}"
        lines.append(line)
        a, b = ea, eb
    return lines


ugly_texts = st.one_of(
    st.text(alphabet="GMXYZAFSTNHIJKLPQRO0123456789.-+#[]()=;/%* \n\t", max_size=200),
    st.lists(
        st.sampled_from(
            [
                "o1 sub",
                "o1 endsub",
                "o1 call",
                "o1 call [1] [2]",
                "o2 while [1]",
                "o2 while [#1 lt 3]",
                "o2 endwhile",
                "#1=[#1+1]",
                "#1=0",
                "o3 if [#1]",
                "o3 else",
                "o3 endif",
                "o3 elseif [1]",
                "o4 repeat [3]",
                "o4 endrepeat",
                "o4 break",
                "o4 continue",
                "o5 do",
                "o5 while [0]",
                "o1 return",
                "M98 P7",
                "M98 P7 L3",
                "O7",
                "M99",
                "M30",
                "%",
                "G1 X#1 F9",
                "G91",
                "G0 X1",
                "G81 X1 Z-1 R1 L3",
                "G10 L2 P1 X1",
                "G92 X0",
                "G28",
                "G28 X1",
                "G53 G0 X0",
                "G38.2 Z-9",
                "/G0 X1",
                "(MSG, a)",
                "G0 X##1",
                "#5221=3",
                "#5063=1",
                "G93",
                "G94",
                "F0",
                "F1",
                "G2 X1 I1",
                "G3 X0 R2",
                "G41 D1",
                "G40",
                "T1 M6",
                "G43 H1",
                "G49",
                "G55",
                "G54",
                "M3",
                "S9",
                "G4 P1",
                "G90.1",
                "G95",
                "G0 X[1/0]",
                "X[[[[1]]]]",
                "G1 X-[3]",
            ]
        ),
        max_size=40,
    ).map("\n".join),
    st.binary(max_size=120).map(lambda raw: raw.decode("latin-1")),
)
