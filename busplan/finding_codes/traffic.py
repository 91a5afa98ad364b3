"""Codes of loads and identifiers of a capture."""

from __future__ import annotations

from functools import partial

from busplan.finding_codes.entry import CAUTION, FAULT, FindingCode

_entry = partial(FindingCode, "traffic")

CODES = (
    _entry(
        "measured-load-over-limit",
        (CAUTION, FAULT),
        "The frames that were recorded took more of a network's time than its limit allows, in at "
        "least one window of the capture.",
        "See the biggest shares; move a node or lengthen a cycle time.",
        "A fault when the mean over the capture is over the limit; a caution when only some "
        "windows are.",
    ),
    _entry(
        "error-frames",
        (CAUTION,),
        "The capture holds error frames of a network. Each one broke a frame that had to be sent "
        "again.",
        "With the power off measure 60 Ω across the pair; look for a wrong bit rate, a long stub "
        "or a loose terminator.",
    ),
    _entry(
        "cycle-measured-slow",
        (CAUTION,),
        "Messages of a node come more slowly than their stated cycle allows, over the whole "
        "capture. Receivers work with older values than planned, or time out.",
        "Ask the maker for the definition of this software, or state the measured cycle in the "
        "plan and check the plan again.",
    ),
    _entry(
        "cycle-measured-fast",
        (CAUTION,),
        "Messages of a node come faster than stated, over the whole capture, and take more room on "
        "the network than planned. Two nodes that send one identifier look like that, too.",
        "See with busplan survey whether a second node sends it. If none does, ask the maker for "
        "the definition of this software, or state the measured cycle in the plan and check the "
        "plan again.",
    ),
    _entry(
        "cycle-measured-uneven",
        (CAUTION,),
        "The distances between frames of a cyclic message stray further than its jitter in the "
        "plan allows. Response times are proven for that jitter only.",
        "State the measured jitter in the plan (jitter_ms) and look at the timing.",
    ),
    _entry(
        "events-measured-close",
        (CAUTION,),
        "An event came again sooner than the least distance its definition or the plan states. "
        "Response times are proven for that distance only.",
        "State the real least distance in the plan, or have the node slowed down.",
    ),
    _entry(
        "two-senders-likely",
        (CAUTION, FAULT),
        "The frames of one identifier look as if two nodes sent them: their counters, lengths or "
        "periods fall into two series. A guess from how frames behave, for people to check.",
        "Unplug one of the nodes and look again; then give one of them other identifiers.",
        "On the bench a fault when the rates and counters that follow from it would be faults.",
    ),
)
