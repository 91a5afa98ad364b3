"""The 29-bit identifiers of SAE J1939-21: fields, parameter groups, source addresses.

Layout, from the most significant bit: priority (3), extended data page (1), data page (1), PDU
format (8), PDU specific (8), source address (8). A PDU format below 240 (PDU1) makes PDU specific a
destination address, which does not belong to the parameter group number; from 240 on (PDU2) it
extends the group number (SAE J1939-21).
"""

from __future__ import annotations

from busplan.definitions.model import J1939Id

GLOBAL_ADDRESS = 255
"""Destination "all nodes" (SAE J1939-81)."""
NULL_ADDRESS = 254
"""Source of a node that has no address (SAE J1939-81)."""

_PDU2 = 240
_IDENTIFIERS = 1 << 29


def split_identifier(identifier: int) -> J1939Id:
    """The fields of a 29-bit identifier; ``ValueError`` when it has more than 29 bits."""
    if not 0 <= identifier < _IDENTIFIERS:
        raise ValueError(f"identifier {identifier:#x} is not within 0x0…0x1FFFFFFF")
    pgn = identifier >> 8 & 0x3FFFF
    destination = None
    if pgn >> 8 & 0xFF < _PDU2:
        destination = pgn & 0xFF
        pgn &= 0x3FF00
    return J1939Id(identifier >> 26, pgn, identifier & 0xFF, destination)


def join_identifier(fields: J1939Id) -> int:
    """The 29-bit identifier of ``fields``; ``ValueError`` when a field is out of range.

    A PDU1 group needs a destination and a PDU2 group must not have one.
    """
    pdu1 = fields.pgn >> 8 & 0xFF < _PDU2
    if not (0 <= fields.priority < 8 and 0 <= fields.source < 256 and 0 <= fields.pgn < 1 << 18):
        raise ValueError(f"{fields} has a field out of range")
    if pdu1 != (fields.destination is not None) or (pdu1 and fields.pgn & 0xFF):
        raise ValueError(f"{fields}: a PDU format below 240 goes with a destination, others do not")
    specific = fields.destination or 0
    return fields.priority << 26 | (fields.pgn | specific) << 8 | fields.source


def with_source(identifier: int, address: int) -> int:
    """The identifier with another source address; ``ValueError`` when it is not 0…255."""
    if not 0 <= address < 256:
        raise ValueError(f"source address {address} is not within 0…255")
    return identifier & ~0xFF | address


def same_group(identifier: int, other: int) -> bool:
    """Whether two identifiers carry the same parameter group, whoever sends it to whom."""
    return split_identifier(identifier).pgn == split_identifier(other).pgn
