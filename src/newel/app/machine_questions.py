"""`newel shop new-machine`: a machine in 15 questions, each with how to measure the answer at home."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass

from newel.core.errors import BadInput
from newel.shop.catalogue import load_shop


@dataclass(frozen=True)
class Question:
    """One question: its key, what is asked, how to measure it at home, and the answer of the demo's machine."""

    key: str
    asks: str
    measure: str
    default: str
    numbers: int = 0  # how many numbers the answer holds; 0: a word


QUESTIONS = (
    Question("name", "What do you call the machine?", "Any name; job files will use it.", "my mill"),
    Question("chuck-end", "At which end of the table does the chuck stand, seen from the front (left, right)?",
             "Stand where you work and look.", "left"),
    Question("travel", "How far do X, Y and Z travel, in mm (three numbers)?",
             "Jog each axis from stop to stop and read the display, slowly near the ends.", "320 170 190", 3),
    Question("jaw-face", "Where do the jaw face and the rotary axis stand in machine coordinates, X Y Z in mm?",
             "Home the machine. Touch the jaw face with a round rod of known "
             "radius for X; touch a round bar in the chuck from both "
             "sides for Y (the middle) and from above for Z (less its radius). "
             "Z counts for a cutter's tip with its length set.",
             "60 85 -180", 3),
    Question("axis-height", "How high over the table does the rotary axis stand, in mm?",
             "Clamp a ground bar, measure from table to its top, take off half its thickness.", "65", 1),
    Question("rapid", "How fast does a rapid run, in mm/min (the slowest of X, Y, Z)?",
             "Send G0 over 200 mm, stop the time; or read the control's setting for each axis.", "2000", 1),
    Question("feed", "How fast may a cut be fed, in mm/min?",
             "The fastest G1 that the control runs without losing steps: try over "
             "100 mm in air, come back, check with a dial gauge.",
             "1500", 1),
    Question("acceleration", "How fast do the axes speed up, in mm/s2?",
             "Time 50 short moves of 2 mm there and back at full feed: t seconds "
             "in all give 8 mm x (100 / t)^2. Or read the setting.",
             "250", 1),
    Question("a-sense", "Does +A bring the side that faces you (-Y) to the top "
             "(answer -1) or away from it (answer 1)?",
             "Mark the front of a bar, send A90 from A0, and look where the "
             "mark went. A wrong sense mirrors every part.", "-1", 1),
    Question("a-speed", "How fast does A turn, in degrees a minute?",
             "Send ten turns at full speed (G0 A3600), stop the time: 216000 / seconds.", "3600", 1),
    Question("a-torque", "What torque does the rotary axis hold, in N m: turning, and standing still (two numbers)?",
             "Clamp an arm of 200 mm across the chuck, press its end on a kitchen "
             "scale until the motor slips: grams x 0.00196 is N m.",
             "2.5 4.0", 2),
    Question("a-backlash", "How much play has A, in degrees?",
             "Dial gauge on a 100 mm arm, rock the bar by hand: mm of play x 0.57 is degrees.", "0.05", 1),
    Question("spindle-speed", "Between which speeds does the spindle run, in rpm (two numbers)?",
             "The control's limits; check one with a mark on the nut "
             "and a phone's slow motion or a tachometer.", "3000 24000", 2),
    Question("spindle-power", "What power has the spindle, in W?",
             "Its plate, or a plug-in meter: what it draws just before it "
             "slows in a heavy cut, less idling, times 0.8.", "800", 1),
    Question("chuck", "Chuck: body diameter, body length, circle the jaws sweep, jaw "
             "length, deepest grip; and the largest distance "
             "from jaw face to centre (0: no tailstock), all in mm (six numbers)?",
             "Callipers. Sweep: the jaws opened as far as you use them. "
             "Distance: the tailstock at the end of the table.",
             "80 45 92 20 18 220", 6),
)  # fmt: skip


def answered(given: Mapping[str, str], ask: Callable[[Question], str] | None) -> dict[str, str]:
    """Return an answer to every question: the given ones, the others from `ask` or (without it) the defaults."""
    unknown = set(given) - {question.key for question in QUESTIONS}
    if unknown:
        known = ", ".join(question.key for question in QUESTIONS)
        raise BadInput(f"there is no question {sorted(unknown)[0]!r}", where="--answer", remedy=f"the questions are {known}")
    answers = {}
    for question in QUESTIONS:
        answers[question.key] = given[question.key] if question.key in given else ask(question) if ask else question.default
        _numbers(answers[question.key], question)
    return answers


def _numbers(answer: str, question: Question) -> list[float]:
    if question.numbers == 0:
        if not answer.strip():
            raise BadInput("an answer is missing", where=question.key)
        return []
    try:
        numbers = [float(word) for word in answer.replace(",", " ").split()]
    except ValueError:
        numbers = []
    if len(numbers) != question.numbers or not all(math.isfinite(number) for number in numbers):
        want = "a number" if question.numbers == 1 else f"{question.numbers} numbers"
        raise BadInput(f"{answer!r} should be {want}", where=question.key, remedy=f"such as {question.default}")
    return numbers


def machine_text(answers: Mapping[str, str]) -> str:
    """Write answers as a shop file, and check it as the shop would. What was not asked is taken over and says so."""
    n = {question.key: _numbers(answers[question.key], question) for question in QUESTIONS}
    name, end = answers["name"].strip(), answers["chuck-end"].strip()
    if '"' in name or "\\" in name:
        raise BadInput("a name holds no quotes and no backslashes", where="name")
    travel, jaw, chuck = n["travel"], n["jaw-face"], n["chuck"]
    rapid, feed, acceleration = n["rapid"][0], n["feed"][0], n["acceleration"][0]
    low, high = n["spindle-speed"]
    torque = 60.0 * n["spindle-power"][0] / (2.0 * math.pi * high) if high > 0 else 0.0
    lines = [
        "# Written by newel shop new-machine. Lines marked 'taken over' "
             "were not asked: put your own figures in their place.",
        "format = 1", "",
        f'[machines."{name}"]',
        'source = "common practice: measured at home by its owner, 15 questions of newel shop new-machine"',
        f'chuck_end = "{end}"',
        f"jaw_face_on_axis_mm = [{jaw[0]:g}, {jaw[1]:g}, {jaw[2]:g}]",
        f"table_below_axis_mm = {n['axis-height'][0]:g}",
        "corner_deviation_mm = 0.02  # taken over", "block_rate_per_s = 500  # taken over",
    ]  # fmt: skip
    for axis, from_mm, to_mm in (("x", 0.0, travel[0]), ("y", 0.0, travel[1]), ("z", -travel[2], 0.0)):
        lines += ["", f'[machines."{name}".{axis}]', f"from_mm = {from_mm:g}", f"to_mm = {to_mm:g}",
                  f"rapid_mm_per_min = {rapid:g}", f"max_feed_mm_per_min = {feed:g}",
                  f"acceleration_mm_per_s2 = {acceleration:g}"]  # fmt: skip
    lines += ["", f'[machines."{name}".a]', f"sense = {n['a-sense'][0]:g}", f"max_deg_per_min = {n['a-speed'][0]:g}",
              "acceleration_deg_per_s2 = 360  # taken over", f"holding_torque_Nm = {n['a-torque'][1]:g}",
              f"moving_torque_Nm = {n['a-torque'][0]:g}", f"backlash_deg = {n['a-backlash'][0]:g}"]  # fmt: skip
    lines += ["", f'[machines."{name}".spindle]', f"min_rpm = {low:g}", f"max_rpm = {high:g}",
              f"power_W = {n['spindle-power'][0]:g}", f"torque_Nm = {torque:.3g}  # that power at the highest speed",
              "nose_diameter_mm = 65  # taken over", "nose_length_mm = 120  # taken over"]  # fmt: skip
    lines += ["", f'[machines."{name}".chuck]', f"body_diameter_mm = {chuck[0]:g}", f"body_length_mm = {chuck[1]:g}",
              f"jaw_swing_diameter_mm = {chuck[2]:g}", f"jaw_length_mm = {chuck[3]:g}", f"max_grip_mm = {chuck[4]:g}",
              "min_bar_mm = 3  # taken over", "max_bar_diagonal_mm = 66  # taken over", "jaws = 4  # taken over",
              "home_turn_deg = 45  # taken over", "grip_force_N = 2000  # taken over",
              "jaw_friction = 0.1  # taken over"]  # fmt: skip
    lines += ["", "# The rotary unit behind the chuck; take the marks off, with your own figures, and it can be struck, too.",
              f'# [machines."{name}".housing]', "# radius_mm = 45  # about the rotary axis: holds the whole casting",
              "# length_mm = 70  # from the chuck's back on"]  # fmt: skip
    if chuck[5] > 0.0:
        lines += ["", f'[machines."{name}".tailstock]', "centre_angle_deg = 60  # taken over",
                  "centre_diameter_mm = 14  # taken over", "centre_length_mm = 32  # taken over",
                  "body_radius_mm = 30  # taken over", "body_length_mm = 55  # taken over",
                  f"max_between_mm = {chuck[5]:g}"]  # fmt: skip
    text = "\n".join(lines) + "\n"
    load_shop({"the new machine file": text})
    return text
