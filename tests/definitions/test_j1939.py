"""29-bit identifiers against published examples and the reference library."""

import pytest
from cantools import j1939 as reference
from hypothesis import given
from hypothesis import strategies as st

from busplan.definitions.j1939 import join_identifier, same_group, split_identifier, with_source
from busplan.definitions.model import J1939Id

IDENTIFIERS = st.integers(0, (1 << 29) - 1)


@pytest.mark.parametrize(
    ("identifier", "fields"),
    [
        # SAE J1939-21 and -81: address claimed, engine controller 1, request to address 35.
        (0x18EEFF01, J1939Id(6, 60928, 0x01, 255)),
        (0x0CF004EE, J1939Id(3, 61444, 0xEE, None)),
        (0x18EA2301, J1939Id(6, 59904, 0x01, 35)),
    ],
)
def test_published_identifiers(identifier, fields) -> None:
    assert split_identifier(identifier) == fields
    assert join_identifier(fields) == identifier


@given(IDENTIFIERS)
def test_fields_equal_the_reference_library(identifier) -> None:
    ours = split_identifier(identifier)
    theirs = reference.frame_id_unpack(identifier)
    assert ours.priority == theirs.priority
    assert ours.source == theirs.source_address
    assert ours.pgn == reference.pgn_from_frame_id(identifier)
    pdu1 = reference.is_pdu_format_1(theirs.pdu_format)
    assert ours.destination == (theirs.pdu_specific if pdu1 else None)
    assert join_identifier(ours) == identifier


@given(IDENTIFIERS, st.integers(0, 255))
def test_another_source_keeps_everything_else(identifier, address) -> None:
    moved = with_source(identifier, address)
    assert split_identifier(moved).source == address
    assert moved >> 8 == identifier >> 8
    assert same_group(moved, identifier)


def test_wrong_fields_are_refused() -> None:
    with pytest.raises(ValueError, match="0x1FFFFFFF"):
        split_identifier(1 << 29)
    with pytest.raises(ValueError, match="source address 256"):
        with_source(0, 256)
    with pytest.raises(ValueError, match="out of range"):
        join_identifier(J1939Id(8, 61444, 0, None))
    with pytest.raises(ValueError, match="destination"):
        join_identifier(J1939Id(6, 59904, 0, None))
    with pytest.raises(ValueError, match="destination"):
        join_identifier(J1939Id(6, 61444, 0, 3))
