"""Which frames are given to which message."""

from dataclasses import replace

import numpy as np
import pytest
from support.vehicles import stream, vehicle

from busplan.decode.match import match_frames, streams_by_key
from busplan.decode.report import decode_findings
from busplan.definitions.j1939 import split_identifier
from busplan.frames.identifier import FrameKey
from busplan.frames.kinds import ERROR, EXTENDED
from busplan.frames.table import FrameTable
from busplan.plan.vehicle import Network, Stream
from busplan.transport.messages import Messages

NETWORKS = (Network("a", 500_000), Network("b", 500_000))


def table(*frames: tuple[str, int, bool]) -> FrameTable:
    """Frames as (network, identifier, extended), 1 ms apart, without payload."""
    names = ["a", "b"]
    return FrameTable.from_columns(
        names,
        np.arange(len(frames)) * 1_000_000,
        [names.index(n) for n, _, _ in frames],
        [i for _, i, _ in frames],
        [EXTENDED if x else 0 for _, _, x in frames],
        np.zeros(len(frames)),
        np.empty(0, np.uint8),
    )


def j1939(identifier: int, **more) -> Stream:
    made = stream(identifier, extended=True, **more)
    fields = split_identifier(identifier)
    return replace(made, message=replace(made.message, j1939=fields))


def rows(matching) -> dict[str, list[int]]:
    return {m.stream.label: m.rows.tolist() for m in matching.matches}


def test_networks_and_widths_of_identifiers_are_never_mixed() -> None:
    streams = [
        stream(0x100, node="n1"),
        stream(0x100, node="n2", extended=True),
        stream(0x100, node="n3", network="b"),
    ]
    seen = table(("a", 0x100, False), ("a", 0x100, True), ("b", 0x100, False), ("b", 0x101, False))
    matching = match_frames(Messages(seen), vehicle(streams, NETWORKS))
    assert rows(matching) == {"a/n1/M100": [0], "a/n2/M100": [1], "b/n3/M100": [2]}
    assert matching.unknown == {FrameKey("b", False, 0x101): 1}


def test_two_senders_of_one_identifier_share_its_frames() -> None:
    streams = [stream(0x28, node="pump_1"), stream(0x28, node="pump_2")]
    first, second = match_frames(Messages(table(("a", 0x28, False))), vehicle(streams)).matches
    assert first.rows.tolist() == second.rows.tolist() == [0]
    assert [s.node for s in first.shared] == ["pump_2"]
    assert [s.node for s in second.shared] == ["pump_1"]


def test_a_parameter_group_matches_whatever_its_priority() -> None:
    engine = j1939(0x0CF00400, name="Engine")
    seen = table(("a", 0x18F00400, True), ("a", 0x0CF00400, True), ("a", 0x0CF00500, True))
    matching = match_frames(Messages(seen), vehicle([engine]))
    assert rows(matching) == {"a/n/Engine": [0, 1]}
    assert list(matching.unknown) == [FrameKey("a", True, 0x0CF00500)]


def test_source_addresses_tell_two_senders_apart() -> None:
    streams = [j1939(0x18FECA00, node="n1", name="M"), j1939(0x18FECA21, node="n2", name="M")]
    seen = table(("a", 0x18FECA21, True), ("a", 0x18FECA00, True), ("a", 0x18FECA33, True))
    matching = match_frames(Messages(seen), vehicle(streams))
    assert rows(matching) == {"a/n1/M": [1], "a/n2/M": [0]}
    assert list(matching.unknown) == [FrameKey("a", True, 0x18FECA33)]


def test_a_group_from_an_unplanned_address_is_given_to_the_only_message() -> None:
    seen = table(("a", 0x18FECA33, True), ("a", 0x18FECA34, True))
    (match,) = match_frames(Messages(seen), vehicle([j1939(0x18FECA00)])).matches
    assert match.rows.tolist() == [0, 1]
    assert match.strangers == (0x33, 0x34)
    # Not when the planned address is there too, nor when several could be meant.
    planned = table(("a", 0x18FECA33, True), ("a", 0x18FECA00, True))
    assert match_frames(Messages(planned), vehicle([j1939(0x18FECA00)])).matches[
        0
    ].rows.tolist() == [1]
    both = vehicle([j1939(0x18FECA00, node="n1"), j1939(0x18FECA01, node="n2")])
    assert not any(len(m.rows) for m in match_frames(Messages(seen), both).matches)


def test_the_null_address_in_a_definition_takes_any_source() -> None:
    seen = table(("a", 0x18FECA33, True), ("a", 0x18FECA34, True))
    (match,) = match_frames(Messages(seen), vehicle([j1939(0x18FECAFE)])).matches
    assert (match.rows.tolist(), match.strangers) == ([0, 1], ())


@pytest.mark.parametrize(
    ("defined", "seen", "taken"),
    [
        (0x18EFE5F4, 0x18EFE5F4, True),
        (0x18EFE5F4, 0x18EF10F4, False),  # another destination from the planned source
        (0x18EFE5F4, 0x18EFFFF4, True),  # sent to all
        (0x18EFFFF4, 0x18EF10F4, True),  # defined for all
        (0x18EFE5F4, 0x18EFE5F5, None),  # another source: only as the sole candidate
    ],
)
def test_destinations_of_a_pdu1_group(defined, seen, taken) -> None:
    (match,) = match_frames(Messages(table(("a", seen, True))), vehicle([j1939(defined)])).matches
    assert len(match.rows) == (taken is not False)
    assert bool(match.strangers) == (taken is None)


def test_merged_identifiers_are_in_time_order_and_errors_left_out() -> None:
    seen = table(("a", 0x18F00400, True), ("a", 0x0CF00400, True), ("a", 0x18F00400, True))
    late = FrameTable.from_columns(
        ["a"], [5, 3, 4], [0, 0, 0], seen.identifier, seen.flags, [0, 0, 0], np.empty(0, np.uint8)
    )
    (match,) = match_frames(Messages(late), vehicle([j1939(0x0CF00400)])).matches
    assert match.rows.tolist() == [1, 2, 0]
    broken = FrameTable.from_columns(
        ["a"], [0], [0], [0x0CF00400], [EXTENDED | ERROR], [0], np.empty(0, np.uint8)
    )
    (match,) = match_frames(Messages(broken), vehicle([j1939(0x0CF00400)])).matches
    assert not len(match.rows)


def test_a_known_group_from_a_further_source_is_told_from_an_unknown_one() -> None:
    streams = [j1939(0x18FEFC21, node="left"), j1939(0x18FEFC22, node="right")]
    seen = table(*(("a", i, True) for i in (0x18FEFC21, 0x18FEFC22, 0x18FEFC33, 0x18FEFD21)))
    matching = match_frames(Messages(seen), vehicle(streams, NETWORKS))
    assert set(matching.unknown) == {FrameKey("a", True, i) for i in (0x18FEFC33, 0x18FEFD21)}
    assert matching.of_known_groups == {FrameKey("a", True, 0x18FEFC33)}
    first, second = decode_findings((), matching)
    assert (first.code, second.code) == ("source-address-unknown", "identifier-unknown")
    assert "0x18FEFC33 (1)" in first.summary


def test_senders_are_told_whatever_the_priority_and_the_silent_stay() -> None:
    left, right, other = (
        j1939(0x18FEFC21, node="left"),
        j1939(0x18FEFC22, node="right"),
        stream(0x100, node="other"),
    )
    found = streams_by_key(
        Messages(table(("a", 0x0CFEFC21, True), ("a", 0x1CFEFC21, True))),
        vehicle([left, right, other], NETWORKS),
    )
    assert {key.identifier: [s.node for s in streams] for key, streams in found.items()} == {
        0x0CFEFC21: ["left"],
        0x1CFEFC21: ["left"],
        0x18FEFC22: ["right"],
        0x100: ["other"],
    }
