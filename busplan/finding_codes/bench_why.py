"""Codes of why a node on the bench differs from its definition."""

from __future__ import annotations

from functools import partial

from busplan.finding_codes.entry import FAULT, NOTE, FindingCode

_entry = partial(FindingCode, "bench")

CODES = (
    _entry(
        "inputs-not-sent",
        (NOTE,),
        "The node's definition says that it receives messages that nobody on the bench sends. Many "
        "nodes send only once they are woken, enabled or asked, and many report missing messages "
        "as a fault.",
        "Connect their sender, or send them yourself with --transmit --feed FILE.",
    ),
    _entry(
        "identifier-width-differs",
        (FAULT,),
        "Messages come under the right number with an identifier of the other width, 29 bits for "
        "11 or the other way round. To every receiver that is another identifier.",
        "Set the width in the node, or correct the definition: in a DBC file the number of a "
        "29-bit identifier has its highest bit set.",
    ),
    _entry(
        "identifiers-moved",
        (FAULT,),
        "Missing messages come under identifiers that all lie the same distance off, with the "
        "right lengths and rates: another instance, address or variant of the part.",
        "Set its address or instance, or place it so in the plan (source_address, "
        "identifier_offset), and test again.",
    ),
    _entry(
        "definition-differs",
        (FAULT,),
        "With one change of the definition, such as the other byte order, all values of a message "
        "are in range and steady, which they are not as defined.",
        "Ask the maker which is right; correct the definition, not the node, when it was written "
        "by hand.",
    ),
    _entry(
        "definition-older",
        (NOTE,),
        "All defined messages come as defined, and others or longer payloads besides: the node "
        "likely has a later software than the definition.",
        "Ask the maker for the definition of this software.",
    ),
)
