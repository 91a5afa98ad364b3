"""Codes of decoding a capture."""

from __future__ import annotations

from functools import partial

from busplan.finding_codes.entry import CAUTION, NOTE, FindingCode

_entry = partial(FindingCode, "decode")

CODES = (
    _entry(
        "frame-short",
        (CAUTION,),
        "Frames came with fewer bytes than their definition says. Signals that are not wholly in "
        "a frame are left empty there.",
        "Compare the definition with what the part really sends.",
    ),
    _entry(
        "frame-long",
        (NOTE,),
        "Frames came with more bytes than their definition says. The bytes beyond are not decoded.",
        "Ask for a newer definition.",
    ),
    _entry(
        "multiplexer-unknown",
        (CAUTION,),
        "Frames came with a multiplexer value that no signal is defined for. What they carry "
        "beside it is not decoded.",
        "Ask for a newer definition.",
    ),
    _entry(
        "value-out-of-range",
        (NOTE,),
        "Decoded values lie outside the range their definition states. They are shown as sent; "
        "the part may mean 'not available' by them.",
        "Look at when they came, and ask the maker what the part means by them.",
    ),
    _entry(
        "value-rounded",
        (NOTE,),
        "Whole numbers beyond 2^53 were written to a column of floating-point numbers, which "
        "cannot hold them exactly.",
        "Use the wide layout, which keeps whole numbers whole.",
    ),
    _entry(
        "frames-ambiguous",
        (CAUTION,),
        "Several nodes of the plan send under one identifier, so the frames may be from any of "
        "them. Each is decoded as if all frames were its own.",
        "Give the nodes different identifiers.",
    ),
    _entry(
        "source-address-unplanned",
        (CAUTION,),
        "A J1939 message came only from source addresses other than the planned one. Another node "
        "sends this parameter group, or the part took another address.",
        "State the address as source_address of the node in the plan.",
    ),
    _entry(
        "source-address-unknown",
        (NOTE,),
        "J1939 identifiers came whose parameter groups are defined, but from source addresses no "
        "node has. They are not decoded.",
        "If a part of the plan sends them, give the plan a node with that source_address.",
    ),
    _entry(
        "identifier-unknown",
        (NOTE,),
        "Identifiers came that none of the definitions used for decoding knows. They are not "
        "decoded.",
        "Look at them with busplan survey; ask the maker for their definition.",
    ),
    _entry(
        "network-absent",
        (NOTE,),
        "The capture has no frame of a network, so the signals asked for there have no values.",
        "See whether that network was recorded, and which channel the plan gives it.",
    ),
    _entry(
        "message-absent",
        (NOTE,),
        "Messages never came on a network that was recorded, so their signals have no values.",
        "See whether their sender was on and in the right mode.",
    ),
)
