"""Codes of what routes do to values and frames on their way."""

from __future__ import annotations

from functools import partial

from busplan.finding_codes.entry import CAUTION, FAULT, NOTE, FindingCode

_entry = partial(FindingCode, "checks")

WAYS = (
    _entry(
        "route-loop",
        (CAUTION, FAULT),
        "Routes of several gateways lead back to the network where they began. A whole message "
        "then goes round for ever and fills the networks; a signal feeds itself, so that an old "
        "value never ages.",
        "Take one of the routes out, or let it take in only the node that the value comes from "
        "(the key node).",
        "A fault for whole messages; a caution for signals, and where a route of the ring has a "
        "period or a least distance of its own.",
    ),
)

VALUES = (
    _entry(
        "route-range-cut",
        (CAUTION,),
        "A signal can have values that the signal it is routed into cannot hold, after the route's "
        "scale and offset. The gateway sends a wrong value then.",
        "Give the signal more bits, another scale or offset on the target network, or correct the "
        "route's scale and offset.",
    ),
    _entry(
        "route-resolution-lost",
        (NOTE,),
        "A signal is routed into one of coarser steps, so small changes are lost on the way.",
        "Leave it if the receiver needs no finer steps; else give the signal a finer scale on the "
        "target network.",
    ),
    _entry(
        "route-unit-differs",
        (CAUTION,),
        "A signal is routed into one of another unit, and the route states no scale or offset, so "
        "the number would go on unconverted.",
        "State scale and offset of the route, or correct the unit in the definition that has it "
        "wrong.",
    ),
    _entry(
        "route-names-differ",
        (CAUTION,),
        "A signal with named values is routed into one that names the same numbers differently. "
        "Whoever reads it there takes one state for another.",
        "Find out which names are right; a gateway that translates states needs a program of its "
        "own.",
    ),
)

TIMEOUTS = (
    _entry(
        "route-timeout-short",
        (CAUTION,),
        "A route's time-out can strike although nothing is wrong: in the worst case the next value "
        "takes longer, or the message is sent on event and may be silent for any time.",
        "State a time-out longer than the source's period and worst-case latency together.",
    ),
)

RECEIVERS = (
    _entry(
        "receiver-out-of-reach",
        (CAUTION,),
        "A sender's definitions name a node as receiver of a message, and that node sits on "
        "another network, to which no route brings it. The receiver's own definitions do not say "
        "that it needs it, as many do not.",
        "Add the route, move the node back, or correct the receivers in the sender's definitions.",
    ),
    _entry(
        "receiver-unknown",
        (NOTE,),
        "A message that the plan itself describes names a receiver, and neither a node nor a part "
        "is called so. Whoever is meant is not known to need it.",
        "Correct the name, or plan the node; take the name out if nobody is meant.",
    ),
)

CODES = (*WAYS, *VALUES, *TIMEOUTS, *RECEIVERS)
