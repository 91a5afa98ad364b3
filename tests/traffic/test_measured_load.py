"""Measured load: counted against hand-made captures and published frame lengths."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.frames import frames

from busplan.errors import UsageError
from busplan.findings import Weight
from busplan.frames.identifier import FrameKey
from busplan.frames.kinds import ERROR, EXTENDED, REMOTE
from busplan.frames.table import FrameTable
from busplan.traffic.cycles import measured_cycles
from busplan.traffic.measured_load import Rates, load_findings, measured_load
from busplan.wire.exact import exact_bits

S = 10**9
RATES = {"drive": Rates(500_000)}


def every(period_ns: int, n: int, identifier: int = 0x100, length: int = 8) -> FrameTable:
    times = np.arange(n) * period_ns + 1_700_000_000 * S
    payload = np.zeros(n * length, np.uint8)
    return FrameTable.from_columns(
        ["drive"],
        times,
        np.zeros(n),
        np.full(n, identifier),
        np.zeros(n),
        np.full(n, length),
        payload,
    )


def test_nominal_and_worst_follow_the_published_lengths() -> None:
    """111 and 135 bits for 8 bytes, 11-bit (Davis et al. 2007; Linux length.h)."""
    load = measured_load(every(10_000_000, 1001), RATES)["drive"]
    assert load.frames.sum() == 1001
    assert load.nominal_ns.sum() == 1001 * 111 * 2000
    assert load.worst_ns.sum() == 1001 * 135 * 2000
    assert load.mean("nominal") == pytest.approx(1001 * 111 * 2000 / (10 * S + 1))
    assert load.mean("nominal") < load.mean("exact") < load.mean("worst")


def two_adapters(early_s: int) -> FrameTable:
    """``drive`` 10 s at half load, ``pack`` with few frames from ``early_s`` before to its end."""
    busy, quiet = every(444_000, 22_523), every(100_000_000, 10 * (early_s + 10))
    time_ns = np.concatenate([busy.time_ns, quiet.time_ns - early_s * S])
    order = np.argsort(time_ns, kind="stable")
    network = np.repeat([0, 1], [len(busy), len(quiet)])
    return FrameTable.from_columns(
        ["drive", "pack"],
        time_ns[order],
        network[order],
        np.where(network, 0x200, 0x100)[order],
        np.zeros(len(order)),
        np.full(len(order), 8),
        np.zeros(8 * len(order), np.uint8),
    )


@pytest.mark.parametrize("early_s", [0, 20])
def test_a_mean_is_over_the_time_its_own_network_was_recorded(early_s: int) -> None:
    """An adapter that began 20 s earlier adds no quiet time to the other's network."""
    rates = {"drive": Rates(500_000), "pack": Rates(500_000)}
    table = two_adapters(early_s)
    drive = measured_load(table, rates)["drive"]
    assert drive.mean("nominal") == pytest.approx(222 / 444, rel=0.05)
    assert drive.share(FrameKey("drive", False, 0x100)) == pytest.approx(drive.mean())
    assert drive.span_ns == pytest.approx(10 * S, rel=0.05)
    (finding,) = load_findings(drive, 0.4, table.origin_ns)
    assert finding.weight is Weight.FAULT
    assert "over the 10.0 s it was recorded" in finding.summary
    assert "in 10 of 10 windows" in finding.summary


def test_a_single_burst_is_spread_over_a_window_at_least() -> None:
    rates = {"drive": Rates(500_000), "pack": Rates(500_000)}
    table = two_adapters(20)
    burst = (table.network == 1) | (np.cumsum(table.network == 0) <= 100)
    drive = measured_load(table.take(burst), rates)["drive"]
    assert drive.span_ns == S
    assert drive.mean("nominal") == pytest.approx(100 * 222_000 / S)


def test_windows_are_as_stated_and_a_short_rest_joins_the_last() -> None:
    table = every(10_000_000, 1001)
    load = measured_load(table, RATES, S)["drive"]
    assert load.width_ns.tolist() == [S] * 9 + [S + 1]
    assert load.frames.tolist() == [100] * 9 + [101]
    halves = measured_load(table, RATES, 6 * S)["drive"]
    assert halves.width_ns.tolist() == [6 * S, 4 * S + 1]
    assert halves.span_ns == load.span_ns


def test_the_peak_knows_its_time_and_shares_add_up() -> None:
    quiet, burst = every(100_000_000, 100), every(1_000_000, 500, 0x200, 2)
    table = FrameTable.from_columns(
        ["drive"],
        np.concatenate([quiet.time_ns, burst.time_ns + 4 * S]),
        np.zeros(600),
        np.concatenate([quiet.identifier, burst.identifier]),
        np.zeros(600),
        np.concatenate([quiet.length, burst.length]),
        np.concatenate([quiet.payload, burst.payload]),
    )
    load = measured_load(table, RATES)["drive"]
    assert load.peak[1] == table.time_ns[0] + 4 * S
    assert sum(load.share_ns.values()) == load.exact_ns.sum()
    assert load.share_ns[FrameKey("drive", False, 0x200)] > 0
    (finding,) = load_findings(load, 0.05, table.origin_ns)
    assert finding.code == "measured-load-over-limit"
    assert finding.where.time_ns == 4 * S


@pytest.mark.parametrize(
    ("limit", "weight"),
    # A second at half load, nine at a twentieth: mean 9.5 %.
    [(0.51, None), (0.45, Weight.CAUTION), (0.1, Weight.CAUTION), (0.09, Weight.FAULT)],
)
def test_a_mean_over_the_limit_is_a_fault_and_a_peak_a_caution(
    limit: float, weight: Weight | None
) -> None:
    load = measured_load(every(10_000_000, 1001), RATES)["drive"]
    busy = (load.width_ns * np.array([0.5, *[0.05] * 9])).astype(np.int64)
    found = load_findings(replace(load, exact_ns=busy), limit, 0)
    assert [f.weight for f in found] == ([] if weight is None else [weight])


def test_error_and_remote_frames_are_counted_apart() -> None:
    table = FrameTable.from_columns(
        ["drive"],
        [0, 1, 2, 2 * S],
        [0] * 4,
        [1, 2, 4, 1],
        [0, REMOTE, ERROR, 0],
        [1, 8, 8, 0],
        np.zeros(9, np.uint8),
    )
    load = measured_load(table, RATES)["drive"]
    assert load.frames.tolist() == [3, 1]
    assert load.remote_frames.tolist() == [1, 0]
    assert load.error_frames.tolist() == [1, 0]
    assert load.nominal_ns[0] == 2000 * (55 + 47 + 17)  # 47+8s; remote: no payload; error: 17
    assert [f.code for f in load_findings(load, 1.0, 0)] == ["error-frames"]


def test_a_stale_first_frame_does_not_dilute_the_load() -> None:
    table = every(10_000_000, 1001)
    table.time_ns[0] -= 1_600_000_000 * S
    load = measured_load(table, RATES)["drive"]
    assert load.frames.sum() == 1000
    assert load.mean("nominal") == pytest.approx(111 * 2000 / 10_000_000, rel=0.01)
    cycle = measured_cycles(table)[FrameKey("drive", False, 0x100)]
    assert (cycle.median_ns, cycle.longest_ns) == (10_000_000, 10_000_000)


def test_impossible_windows_are_refused_and_unknown_rates_left_out() -> None:
    with pytest.raises(UsageError):
        measured_load(every(S, 10), RATES, 0)
    with pytest.raises(UsageError, match="splits"):
        measured_load(every(S, 10), RATES, 1)
    assert measured_load(every(S, 10), {}) == {}
    assert measured_load(FrameTable.empty(["drive"]), RATES)["drive"].mean() == 0


@given(
    st.lists(
        st.tuples(
            st.integers(0, 5 * S),
            st.integers(0, 0x7FF),
            st.sampled_from([0, EXTENDED, REMOTE, ERROR]),
            st.binary(max_size=8),
        ),
        min_size=1,
        max_size=60,
    ),
    st.integers(10**7, 3 * S),
)
@settings(max_examples=30)
def test_windows_equal_a_plain_loop(rows: list[tuple[int, int, int, bytes]], window: int) -> None:
    table = FrameTable.from_columns(
        ["drive"],
        [r[0] for r in rows],
        [0] * len(rows),
        [r[1] for r in rows],
        [r[2] for r in rows],
        [len(r[3]) for r in rows],
        np.frombuffer(b"".join(r[3] for r in rows if not r[2] & REMOTE), np.uint8),
    )
    load = measured_load(table, RATES, window)["drive"]
    assert load.span_ns == max(table.span_ns + 1, 10_000_000)
    bits, _ = exact_bits(table)
    busy = [0] * len(load.exact_ns)
    for row, count in zip(rows, bits.tolist(), strict=True):
        busy[min((row[0] - table.origin_ns) // window, len(busy) - 1)] += count * 2000
    assert load.exact_ns.tolist() == busy


@settings(max_examples=30)
@given(st.integers(1, 25_000), st.integers(0, 1 << 30))
def test_coarser_windows_are_those_measured_so(span_ms, seed) -> None:
    rng = np.random.default_rng(seed)
    table = replace(
        frames([bytes(8)] * 200, identifier=rng.integers(0, 4, 200)),
        time_ns=np.sort(rng.integers(0, span_ms * 1_000_000 + 1, 200)),
    )
    rates = {"can0": Rates(500_000)}
    fine = measured_load(table, rates, 10**8, exact_only=True)["can0"]
    (coarse, direct) = fine.coarser(10), measured_load(table, rates, 10**9)["can0"]
    assert coarse.window_ns == direct.window_ns
    for name in ("width_ns", "exact_ns", "frames", "remote_frames", "error_frames"):
        assert getattr(coarse, name).tolist() == getattr(direct, name).tolist(), name
    assert coarse.peak == direct.peak
    assert coarse.share_ns == direct.share_ns
    assert not fine.nominal_ns.any()
