"""The modal groups and which word belongs to which code: what may stand together on a line (NISTIR 6556, 3.4 and table 4)."""

from __future__ import annotations

from newel.core.dialect import ReadTraits
from newel.program.reader import Block
from newel.program.rules import RefusedError

CYCLES = frozenset(range(810, 900, 10))
ARCS = frozenset((20, 30))
MOTIONS = frozenset((0, 10, 20, 30, 382, 800)) | CYCLES
SYSTEMS = (540, 550, 560, 570, 580, 590, 591, 592, 593)
MOTION_LOST = -2  # the motion in force was on a line that was refused: nothing more to tell, nothing to follow
USE_AXES = frozenset((100, 280, 300, 920))  # of group 0

G_GROUPS: dict[int, int] = {
    **dict.fromkeys(MOTIONS, 1),
    **dict.fromkeys((170, 180, 190), 2),
    **dict.fromkeys((900, 910), 3),
    **dict.fromkeys((901, 911), 4),  # the trade's: arc centres as places or from the start point
    **dict.fromkeys((930, 940, 950), 5),
    **dict.fromkeys((200, 210), 6),
    **dict.fromkeys((400, 410, 420), 7),
    **dict.fromkeys((430, 490), 8),
    **dict.fromkeys((980, 990), 10),
    **dict.fromkeys(SYSTEMS, 12),
    **dict.fromkeys((610, 611, 640), 13),
    **dict.fromkeys((40, 100, 280, 300, 530, 920, 921, 922, 923), 0),
}
M_GROUPS: dict[int, int] = {
    **dict.fromkeys((0, 1, 2, 30, 60), 4),
    6: 6,
    **dict.fromkeys((3, 4, 5), 7),
    **dict.fromkeys((7, 8, 9), 8),
    **dict.fromkeys((48, 49), 9),
    **dict.fromkeys((98, 99), 10),  # the trade's: numbered subprograms
}
CLAMPING = 11  # the clamp of the rotary axis, by the numbers that the dialect gives
AXES = "xyzabc"


def name_of(code: int) -> str:
    """Return a G number times ten as people write it: 382 is 'G38.2'."""
    return f"G{code // 10}" if code % 10 == 0 else f"G{code // 10}.{code % 10}"


def sort_by_group(block: Block, traits: ReadTraits) -> dict[int, int]:
    """Return the line's G codes by modal group, or refuse codes that are unknown or share a group."""
    by_group: dict[int, int] = {}
    for code in block.g:
        group = G_GROUPS.get(code)
        if code in (700, 710):
            raise RefusedError("units-other-standard", f"{name_of(code)} is a units word elsewhere; here they are G20 and G21")
        if group is None:
            raise RefusedError("unknown-code", f"{name_of(code)} is not in the language")
        if group == 4 and not traits.arc_centre_modes:
            raise RefusedError("not-in-this-dialect", f"{name_of(code)} needs a dialect with modes of arc centres")
        if code == 950 and not traits.feed_per_turn:
            raise RefusedError("not-in-this-dialect", "G95 needs a dialect with feed per turn")
        if group in by_group:
            raise RefusedError("two-of-one-group", f"{name_of(by_group[group])} and {name_of(code)} are of one group")
        by_group[group] = code
    if len(block.m) > 4:
        raise RefusedError("too-many-m-words", "more than four M words on a line", measured=len(block.m), limit=4)
    m_seen: dict[int, int] = {}
    for code in block.m:
        group = CLAMPING if code and code in (traits.clamp_m, traits.unclamp_m) else M_GROUPS.get(code)
        if group is None:
            raise RefusedError("unknown-code", f"M{code} is not in the language")
        if group == 10 and not traits.numbered_subprograms:
            raise RefusedError("not-in-this-dialect", f"M{code} needs a dialect with numbered subprograms")
        if group in m_seen:
            raise RefusedError("two-of-one-group", f"M{m_seen[group]} and M{code} are of one group")
        m_seen[group] = code
    return by_group


def motion_of(block: Block, by_group: dict[int, int], in_force: int, traits: ReadTraits) -> int:
    """Return the motion code that the line's axis words belong to, -1 where none moves; refuse what cannot stand together."""
    special = by_group.get(0, -1)
    asked = by_group.get(1, -1)
    has_axes = any(letter in block.words for letter in AXES)
    if special in USE_AXES:
        if asked not in (-1, 800):
            raise RefusedError("axis-words-claimed-twice", f"{name_of(special)} and {name_of(asked)} both use axis words")
        if special == 920 and not has_axes:
            raise RefusedError("coordinate-setting", "G92 needs at least one axis word")
        return -1
    if not has_axes:
        if asked in ARCS:
            raise RefusedError("arc-words", f"{name_of(asked)} needs an axis word of its plane")
        if asked in CYCLES:
            raise RefusedError("cycle", f"{name_of(asked)} needs an X, Y or Z word")
        if asked == 382:
            raise RefusedError("probe", "G38.2 needs an X, Y or Z word")
        if asked in (0, 10) and not traits.lone_motion_words:
            raise RefusedError("axis-word-missing", f"{name_of(asked)} needs an axis word")
        if special == 530:
            raise RefusedError("machine-coordinates", "G53 needs axis words to move to")
        return -1
    motion = asked if asked >= 0 else in_force
    if special == 530 and motion not in (0, 10):
        raise RefusedError("machine-coordinates", "G53 needs G0 or G1 in force")
    if motion == 800:
        raise RefusedError("axis-words-not-allowed", "axis words stand on a line with G80 in force and nothing that uses them")
    if motion == MOTION_LOST:
        return motion
    if motion < 0:
        raise RefusedError("motion-word-missing", "axis words before any motion word: what the control does then is not known")
    return motion


def check_words_are_used(block: Block, by_group: dict[int, int], motion: int) -> None:
    """Refuse words that no code on the line uses: D H I J K L P Q R."""
    if motion == MOTION_LOST:
        return
    special = by_group.get(0, -1)
    cycle, arc = motion in CYCLES, motion in ARCS
    calls = 98 in block.m
    used = {
        "d": by_group.get(7) in (410, 420),
        "h": by_group.get(8) == 430,
        "i": arc or motion == 870,
        "j": arc or motion == 870,
        "k": arc or motion == 870,
        "l": cycle or special == 100 or calls,
        "p": special in (40, 100) or motion in (820, 860, 880, 890) or calls,
        "q": motion == 830,
        "r": arc or cycle,
    }
    for letter, is_used in used.items():
        if letter in block.words and not is_used:
            raise RefusedError("word-not-used", f"the {letter.upper()} word has no code on the line that uses it")
