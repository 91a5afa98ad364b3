"""Codes of the bench: what J1939 itself has a node send."""

from __future__ import annotations

from functools import partial

from busplan.finding_codes.entry import CAUTION, FAULT, NOTE, FindingCode

_entry = partial(FindingCode, "bench")

CODES = (
    _entry(
        "node-identified",
        (NOTE,),
        "The node says what it is: its J1939 NAME, its software, serial or part number.",
        "Compare it with the label, the order and the definition's version.",
    ),
    _entry(
        "address-contested",
        (FAULT,),
        "Nodes with different NAMEs claim one J1939 address. One of them has to give it up; until "
        "then their frames mix.",
        "Unplug everything else from the bench, or give one of them another address.",
    ),
    _entry(
        "address-not-claimed",
        (FAULT,),
        "A node says that it cannot claim a J1939 address. Without one it sends nothing else.",
        "Look who else has its address, or let it choose another.",
    ),
    _entry(
        "claim-late",
        (CAUTION,),
        "A J1939 node sent other messages before it claimed its address. Until the claim the "
        "address may be another node's, so receivers may ignore them.",
        "Ask the maker: SAE J1939-81 has a node claim its address first.",
    ),
    _entry(
        "claim-not-again",
        (NOTE, CAUTION),
        "A J1939 node started or restarted during the test and sent its messages before a claim of "
        "its address was heard. Meanwhile another node may have taken the address.",
        "Ask the maker: SAE J1939-81 has a node claim its address at each start.",
        "A caution where busplan listened itself or the recording holds any claim, else a note: it "
        "may have been made without them.",
    ),
    _entry(
        "fault-message-short",
        (CAUTION,),
        "A J1939 message of faults is too short for lamps and one fault, so it cannot be read.",
        "Ask the maker which edition of SAE J1939-73 it follows.",
    ),
    _entry(
        "fault-message-filled",
        (NOTE,),
        'A J1939 message of faults has ones, "not available", where zeros say that there is no '
        "fault. It then says nothing about faults.",
        "Ask the maker whether it watches for faults at all.",
    ),
    _entry(
        "fault-told",
        (CAUTION,),
        "The node itself tells of active faults or lights a lamp (DM1).",
        "Look the numbers up in its manual; a bench that lacks sensors and loads causes some of "
        "them.",
    ),
    _entry(
        "earlier-fault-told",
        (NOTE,),
        "The node remembers faults that are no longer active (DM2).",
        "Look the numbers up in its manual.",
    ),
)
