"""Codes of messages of several frames."""

from __future__ import annotations

from functools import partial

from busplan.finding_codes.entry import CAUTION, NOTE, FindingCode

_entry = partial(FindingCode, "transport")

CODES = (
    _entry(
        "transport-broken",
        (CAUTION,),
        "Transport sessions (J1939) or segmented messages (ISO 15765-2) did not come to their end: "
        "a packet is missing, the sender paused or began anew, one side aborted or refused, or "
        "they contradict themselves. Their messages are not decoded.",
        "See whether the recorder dropped frames there, or the network was too busy.",
    ),
    _entry(
        "transport-partly-recorded",
        (NOTE,),
        "Transport sessions began before the capture or go on after it. Their messages are not "
        "decoded.",
        "Record longer if these messages matter.",
    ),
    _entry(
        "transport-repeated",
        (NOTE,),
        "Frames of transport sessions came again: a receiver that lost packets asked for them, or "
        "the adapter records its own frames.",
        "Nothing, unless there are many: then look at the receiver and at the recorder's echo.",
    ),
    _entry(
        "transport-unanswered",
        (NOTE,),
        "Transport sessions were never acknowledged. All packets were recorded and the messages "
        "are decoded, but the receiver may not have them.",
        "See whether the receiver was on, and whether its network was recorded.",
    ),
    _entry(
        "transport-stray",
        (NOTE,),
        "Frames belong to no transport session that was seen, or to none there can be. They carry "
        "no message; the session they speak of may lie before the capture.",
        "Nothing, unless messages seem to be missing.",
    ),
)
