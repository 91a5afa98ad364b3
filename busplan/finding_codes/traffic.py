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
        "two-senders-likely",
        (CAUTION,),
        "The frames of one identifier look as if two nodes sent them: their counters, lengths or "
        "periods fall into two series. A guess from how frames behave, for people to check.",
        "Unplug one of the nodes and look again; then give one of them other identifiers.",
    ),
)
