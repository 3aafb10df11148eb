"""
What each kind of fault must lead to, whatever step it comes at: written down by reasoning from the trade's practice
(practice.md, common practice, no source, by the number beside it), never from what choreo did.

A verdict applies to a run in which the fault acted. One in which it never did must be done, exit code 0.
"""

from dataclasses import dataclass
from enum import Enum

from choreo.errors import Exit

DONE, STOPPED, LINK, EXPECTATION = Exit.DONE, Exit.STOPPED, Exit.LINK, Exit.EXPECTATION


class When(Enum):
    """In which situation the run has to end in one of the `ends`; in any other it may also be done."""

    ALWAYS = "always"
    IF_IT_MOVES = "when the axis is sent on its way after it"
    IF_IT_HOMES = "when the axis is homed after it"
    IF_CONFIGURED = "when the axis has its settings, which the fault takes away"
    IF_POWERED = "when the axis is under power"
    IF_THE_BRAKE_OPENS = "when the axis is enabled after it"
    IF_NOT_HOMING = "unless it comes in a homing, where a switch ends the way before its target does"
    IF_IT_STANDS = "unless this step or the next one sends the axis on its way, which takes the place of it"
    MAYBE = "it may be survived"


class Whose(Enum):
    """Which axis the ending has to name."""

    OWN = "the axis of the fault, or its pair"
    ANY = "any, or none"


class Proof(Enum):
    """Which axes may (or, with `must`, have to) be declared unproven after the stop."""

    NONE = "none"
    OWN = "the axis of the fault"
    ALL = "all"


@dataclass(frozen=True, slots=True)
class Verdict:
    """
    `ends` and `when`: how it must end and in which situation; `rules`: one of these must be named, empty for any;
    `counted`: a link check may end on it, with its own rule; `finds`: a rule that must be found of the axis, be it
    after the stop began; `soon_ms`: from the fault to the first stop frame, where nothing but the fault decides it;
    `unproven`: who may be left unproven, `must`: whether they have to be; `harm`: whether the axis may run into its
    buffer, or the beam be racked, in spite of the stop.
    """

    why: str
    ends: tuple[Exit, ...] = (STOPPED,)
    when: When = When.ALWAYS
    whose: Whose = Whose.OWN
    rules: tuple[str, ...] = ()
    counted: bool = False
    finds: str = ""
    soon_ms: int | None = None
    unproven: Proof = Proof.NONE
    must: bool = False
    harm: bool = False


#: An event of the drive says it at once; the stop is the next thing that is sent. Two polls' time is plenty.
AT_ONCE_MS = 40
#: A poll of 20 ms, its time-out, the counted echo as a barrier with its time-out, and once more.
SILENT_MS = 400
#: P36 and P12: nothing that a transmission layer repairs by itself may end a run.
SURVIVED = (DONE,)

VERDICTS: dict[str, Verdict] = {
    # --- frames ------------------------------------------------------------------------------------------------------
    "lost_request": Verdict(
        "P12, P28: reads and loads of absolute targets may be asked again; what may not, and an exchange of the link "
        "check, ends the run",
        when=When.MAYBE,
    ),
    "lost_reply": Verdict("as for a lost request", when=When.MAYBE),
    "late_reply": Verdict("P12: a late reply counts for nothing; to its request it is a lost one", when=When.MAYBE),
    "late_request": Verdict(
        "P7: what is behind it in the adapter waits too, so any axis may be the one whose answer is missed",
        when=When.MAYBE, whose=Whose.ANY,
    ),
    "duplicate_reply": Verdict(
        "P6, P12: the second copy answers nothing; P35: in a link check no count may repeat",
        ends=SURVIVED, counted=True,
    ),
    "duplicate_frame": Verdict(
        "P6: a position asked for twice is told twice; P35, P36: an answer too many counts in a link check",
        ends=SURVIVED, counted=True,
    ),
    "corrupt_frame": Verdict("facts.md A10: CAN sends a destroyed frame again", ends=SURVIVED),
    "error_frames": Verdict(
        "facts.md A10: eight destroyed frames are sent again; an error counter rises by 8 each and 128 would be error "
        "passive, 256 bus off", ends=SURVIVED, whose=Whose.ANY,
    ),
    "forged_reply": Verdict(
        "P36, P8: two nodes of one number contradict each other; an axis under power that reads elsewhere is off its "
        "way, and not where it is expected. Without power nothing can be driven wrong", ends=(STOPPED, EXPECTATION),
        when=When.IF_POWERED,
    ),
    "forged_event": Verdict(
        "P17: home lapses at boot-up, and the settings with it; before the settings a node may boot",
        when=When.IF_CONFIGURED, soon_ms=AT_ONCE_MS,
    ),
    "foreign_command": Verdict(
        "P18, P3: a stranger's command; a drive that refuses it or has no power does nothing, and then the run may go "
        "on", when=When.MAYBE,
    ),
    "foreign_stop": Verdict(
        "P18: a foreign stop ends our run too", whose=Whose.ANY, rules=("foreign-stop",), soon_ms=AT_ONCE_MS
    ),
    "data_error_reply": Verdict("P14: data-error reply: quick stop of all", rules=("refused-by-drive", "link-check")),
    # --- nodes and adapter -------------------------------------------------------------------------------------------
    "silent_node": Verdict(
        "P14: a lost node; that it stands cannot be proved", soon_ms=SILENT_MS, unproven=Proof.OWN, must=True,
        rules=("node-silent", "link-check", "no-reply"),
    ),
    "bus_off": Verdict(
        "P14, facts.md A11: a node that is bus off neither hears nor says anything. It goes where it was last sent; "
        "when the other side of its beam is stopped the beam racks, whatever anybody does", soon_ms=SILENT_MS,
        unproven=Proof.OWN, must=True, rules=("node-silent", "link-check", "no-reply"), harm=True,
    ),
    "nodes_lost": Verdict(
        "P14: several nodes within 100 ms: power or bus lost", ends=(LINK,), whose=Whose.ANY, soon_ms=SILENT_MS,
        unproven=Proof.ALL, must=True,
    ),
    "adapter_lost": Verdict(
        "design 6: the adapter is lost; nothing can be sent or read any more", ends=(LINK,), whose=Whose.ANY,
        rules=("adapter-lost",), unproven=Proof.ALL, must=True,
    ),
    "trigger_stuck": Verdict(
        "P7, P4: a trigger that does not leave, or axes that do not start, end the run; the trigger may still follow "
        "the stop, so the stop is repeated", whose=Whose.ANY,
    ),
    # --- loads and motion --------------------------------------------------------------------------------------------
    "load_lost": Verdict("P4: after the trigger every axis must be seen to start"),
    "load_lost_early": Verdict("P4: loading is proved before the trigger", rules=("load-lost",)),
    "load_doubled": Verdict("P6, P8: it goes beyond its target, off its profile", when=When.IF_NOT_HOMING),
    "load_slow": Verdict("P8, P9: it falls behind its profile, or behind the other side"),
    "stale_load": Verdict(
        "P2: a load that this run did not make is replaced, cleared, or set off by the next trigger and then seen",
        when=When.MAYBE,
    ),
    "wrong_direction": Verdict("P4: seen to start in the right direction"),
    "trigger_delayed": Verdict("P4, P5: 300 ms are far beyond any onset time"),
    "moves_unasked": Verdict("P8: an axis that should stand and does not", when=When.IF_IT_STANDS),
    "stalled_axis": Verdict("P8, P9: it stays behind its profile", when=When.IF_IT_MOVES, unproven=Proof.OWN),
    "frozen_encoder": Verdict(
        "P10: an axis that should move and reads the same; its standstill proves nothing", when=When.IF_IT_MOVES,
        unproven=Proof.OWN,
    ),
    "runaway": Verdict(
        "P14: speed that rises after a stop: its power is taken, and a horizontal axis coasts until friction stops it",
        unproven=Proof.OWN, harm=True,
    ),
    "runaway_after_stop": Verdict(
        "P14, P18: the stop has its own cause, a stranger's; the axis that does not heed it is found while stopping",
        whose=Whose.ANY, finds="runaway", unproven=Proof.OWN, harm=True,
    ),
    "drive_fault": Verdict("P14: quick stop of all", rules=("drive-fault",), soon_ms=AT_ONCE_MS),
    "drive_restarts": Verdict("P17: home lapses at boot-up, and the settings with it", when=When.IF_CONFIGURED),
    # --- body and encoder --------------------------------------------------------------------------------------------
    "brake_sags": Verdict("P15: after enabling, release and look for sag", when=When.MAYBE),
    "brake_stuck": Verdict(
        "P8: an axis whose brake is closed does not move", when=When.IF_THE_BRAKE_OPENS, unproven=Proof.OWN
    ),
    "brake_slips": Verdict("P15: an axis on its brake that sinks may be seen, or held under power", when=When.MAYBE),
    "home_switch_stuck": Verdict("P19: a switch that is never found ends the search", when=When.IF_IT_HOMES),
    "home_switch_missing": Verdict("P19: as for a switch that sticks", when=When.IF_IT_HOMES),
    "home_switch_bounces": Verdict("P19: an edge that scatters may lie within what is allowed", when=When.MAYBE),
    "position_jump": Verdict(
        "P8, P17: an axis under power that reads elsewhere is off its way; without power its home lapses",
        when=When.IF_POWERED,
    ),
    "input_lost": Verdict("an input that this recipe does not name is nobody's business", ends=SURVIVED),
    "input_flickers": Verdict("as for an input that is lost", ends=SURVIVED),
    "noise_spike": Verdict(
        "P8: one reading that is off may be taken for a deviation or for noise; an expectation that is read just then "
        "fails", ends=(STOPPED, EXPECTATION), when=When.MAYBE,
    ),
}  # fmt: skip
