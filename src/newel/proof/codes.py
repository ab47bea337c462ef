"""Every code of the proof's own findings: how much it weighs and the rule in words. The reader and interpreter bring theirs.

Rules without another source are common practice.
"""

from __future__ import annotations

from types import MappingProxyType

from newel.core.findings import Severity

OBSTACLE, CAUTION, NOTE = Severity.OBSTACLE, Severity.CAUTION, Severity.NOTE

CODES = MappingProxyType(
    {
        # what is not known can't be proved
        "no-motion": (OBSTACLE, "a program must move something"),
        "position-unknown": (OBSTACLE, "every fed move must begin where the program itself has been"),
        "start-unsafe": (OBSTACLE, "from wherever the machine stands the first move may only raise Z clear of everything"),
        "probe-not-followed": (OBSTACLE, "where a probing move ends is known only on the machine"),
        "units-missing": (OBSTACLE, "a program must say G20 or G21 before it moves: what the control was left in is not known"),
        # cutters
        "cutter-unknown": (OBSTACLE, "a cutter that moves near the work must be one that the set-up describes"),
        "no-cutter": (OBSTACLE, "a cutter must be called before the tip goes near the work"),
        "length-offset-wrong": (OBSTACLE, "the length offset in force must be that of the cutter in the spindle"),
        "change-low": (OBSTACLE, "a cutter is changed only clear above everything"),
        "plunge": (OBSTACLE, "a cutter that does not cut at its centre must not go down into material"),
        # speeds and feeds
        "feed-not-set": (OBSTACLE, "a fed move needs a feed"),
        "feed-absurd": (OBSTACLE, "the tip must not be asked to run over the work faster than the machine's fastest rapid"),
        "feed-not-kept": (
            CAUTION,
            "an axis that can't keep up slows all (NISTIR 6556, 2.1.2.4): the feed asked is not the feed run",
        ),
        "spindle-range": (OBSTACLE, "the spindle must run within its own range and the cutter's"),
        "spindle-off": (OBSTACLE, "material is cut only with the spindle running"),
        "spindle-backward": (OBSTACLE, "cutters here cut clockwise (M3)"),
        "rapid-cuts": (OBSTACLE, "a rapid must not touch material"),
        # strikes
        "body-strikes-blank": (OBSTACLE, "neck, shank, holder and spindle must touch no material"),
        "body-strikes-part": (OBSTACLE, "neck, shank, holder and spindle must not touch the finished part"),
        "strikes-keep-out": (OBSTACLE, "nothing that moves may touch jaws, chuck, rotary housing, centre or tailstock"),
        "strikes-table": (OBSTACLE, "nothing may touch the table"),
        # turning between sides
        "turn-low": (OBSTACLE, "between cuts at clamped sides the bar turns only with the tip clear above everything"),
        "turn-clamped": (OBSTACLE, "the bar turns only while its clamp is released, where the machine has one to be told"),
        "cut-released": (
            OBSTACLE,
            "at a side material is cut only with the bar clamped, where the machine has a clamp to be told",
        ),
        # travel
        "travel": (OBSTACLE, "every axis must stay within its travel under the work offset"),
        "wind-up": (OBSTACLE, "A must not turn further from zero than the machine allows"),
        # the end
        "end-low": (OBSTACLE, "a program ends with the tip clear above everything"),
        "end-spindle-on": (
            OBSTACLE,
            "a program ends with the spindle standing: M2 and M30 stop it (NISTIR 6556, 3.6.1), % does not",
        ),
        "end-coolant-on": (
            CAUTION,
            "a program ends with the coolant off: M2 and M30 turn it off (NISTIR 6556, 3.6.1), % does not",
        ),
        # the load: estimates, so never more than a caution
        "load-power": (CAUTION, "a cut should ask no more than the spindle's power"),
        "load-torque": (CAUTION, "a cut should load the rotary axis no more than it can turn against"),
        "load-holding": (CAUTION, "a cut at a side should load the rotary axis no more than it holds against, standing still"),
        "load-thrust": (CAUTION, "a cut should push no axis harder than it can push back"),
        "load-grip": (CAUTION, "jaws should hold twice what a cut asks of them, four times without a centre (RN-1391)"),
        "load-break": (CAUTION, "a cut should stress the cutter no more than it bears"),
        "load-cutter": (CAUTION, "a cut should bend the cutter no more than 0.2 mm"),
        "load-bar": (CAUTION, "a cut should bend the bar no more than 0.2 mm"),
        # the result
        "stub-cut": (OBSTACLE, "stubs, and the full bar beside jaws and centre, hold the part and must stay as they are"),
        "gouge": (OBSTACLE, "no cut may go below the part's surface by more than the gouge limit"),
        "thread-missing": (OBSTACLE, "a thread that the job asks for must be there, right-hand, all round its hole"),
        "thread-size": (
            OBSTACLE,
            "a thread's pitch, pitch diameter and major diameter must be those of ISO 68-1 within class 6H of ISO 965-1",
        ),
        "thread-bore": (CAUTION, "a thread's bore should lie within class 6H of ISO 965-1"),
        "group-off": (OBSTACLE, "of surfaces with a tolerance of their own 98 % must lie within it"),
        "group-empty": (CAUTION, "surfaces that are to have a tolerance of their own should be there"),
        "left-over": (OBSTACLE, "of the reachable surface 98 % must lie within the tolerance"),
        "left-over-some": (CAUTION, "places that a cutter of the shop could reach were left high"),
        "unreachable": (NOTE, "no cutter of the shop reaches these places"),
        "nothing-cut": (CAUTION, "a program that takes nothing off the bar is seldom meant"),
    }
)
