"""Bit rates from distances of frames, and channels of captures as one network.

Outside truth: frames are sent at a known rate, their lengths counted bit by bit
(``busplan.wire.bits``, held to published frames elsewhere).
"""

import numpy as np
import pytest
from support.frames import frames

from busplan.frames.table import FrameTable
from busplan.starting.heard import bit_rates, lanes, listen
from busplan.wire.exact import exact_bits


def traffic(
    rate: int, count: int, *, busy: float, seed: int = 3, jitter_ns: int = 500
) -> FrameTable:
    """Frames of random content at a bit rate [bit/s]; ``busy`` of them follow without a gap."""
    random = np.random.default_rng(seed)
    payloads = [bytes(random.integers(0, 256, 8, np.uint8)) for _ in range(count)]
    table = frames(payloads)
    bits, _ = exact_bits(table)
    wire = bits * 1e9 / rate
    gaps = np.where(random.random(count) < busy, 0.0, random.exponential(4e6, count))
    times = np.cumsum(wire + gaps) + random.normal(0, jitter_ns, count)
    return FrameTable.from_columns(
        table.networks,
        np.maximum.accumulate(times).astype(np.int64) + 10**18,
        np.zeros(count, np.int64),
        table.identifier,
        table.flags,
        table.length,
        np.concatenate([np.frombuffer(p, np.uint8) for p in payloads]),
    )


@pytest.mark.parametrize("rate", [1_000_000, 500_000, 250_000, 125_000, 83_333, 50_000])
def test_frames_without_a_gap_show_the_bit_rate(rate: int) -> None:
    table = traffic(rate, 800, busy=0.1)
    found = bit_rates(table, np.arange(len(table)))
    assert found.rate == rate
    assert found.frames >= 40


@pytest.mark.parametrize("seed", range(6))
def test_a_quiet_bus_shows_none(seed: int) -> None:
    table = traffic(500_000, 800, busy=0.0, seed=seed)
    assert bit_rates(table, np.arange(len(table))).rate is None


def test_stamps_of_a_slow_host_show_none_rather_than_a_wrong_one() -> None:
    """A host that stamps to the millisecond: distances say nothing of bits."""
    table = traffic(250_000, 800, busy=0.3, jitter_ns=400_000)
    assert bit_rates(table, np.arange(len(table))).rate in (None, 250_000)


def named(table: FrameTable, name: str, identifiers: np.ndarray) -> FrameTable:
    return FrameTable.from_columns(
        (name,),
        table.time_ns,
        np.zeros(len(table), np.int64),
        identifiers,
        table.flags,
        table.length,
        table.payload,
    )


def test_channels_are_one_network_by_what_they_carry_not_by_name() -> None:
    table = traffic(500_000, 120, busy=0.1)
    first = named(table, "can0", 0x100 + np.arange(120) % 4)
    same = named(table, "ch7", 0x100 + np.arange(120) % 4)
    other = named(table, "can0", 0x200 + np.arange(120) % 4)
    found = lanes([*listen("a", first), *listen("b", same), *listen("c", other)])
    assert sorted(lane.names for lane in found) == [("can0",), ("can0", "ch7")]


def test_two_channels_of_one_capture_are_two_networks_whatever_a_gateway_passes_on() -> None:
    table = traffic(500_000, 120, busy=0.1)
    wide = named(table, "can0", 0x100 + np.arange(120) % 4)
    narrow = named(table, "can1", np.full(120, 0x100))
    found = lanes([*listen("a", wide), *listen("a", narrow)])
    assert [lane.names for lane in found] == [("can0",), ("can1",)]


def test_two_captures_that_show_different_rates_leave_it_open() -> None:
    fast, slow = (traffic(rate, 800, busy=0.1) for rate in (500_000, 250_000))
    both = [
        *listen("a", named(fast, "can0", fast.identifier)),
        *listen("b", named(slow, "can0", slow.identifier)),
    ]
    (lane,) = lanes(both)
    assert lane.rates.rate is None
    assert lane.contradictory
