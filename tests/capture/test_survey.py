"""The survey finds what was put into made payloads, and the demo's planted collision."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.command import busplan

from busplan.capture.fit import definition_of, fit
from busplan.capture.frames import EXTENDED, REMOTE, FrameTable
from busplan.capture.read import read_capture
from busplan.capture.survey import LikelyValue, SurveyedIdentifier, changing_bits, survey
from busplan.decode.protection import KINDS, checksum
from busplan.definitions.model import J1939Id, Message

ROOT = Path(__file__).parents[2]
MS = 1_000_000


def table(payloads: np.ndarray, times: np.ndarray | None = None) -> FrameTable:
    n, width = payloads.shape
    stamps = np.arange(n) * 10 * MS if times is None else times
    zeros = np.zeros(n)
    return FrameTable.from_columns(
        ["can0"], stamps, zeros, zeros + 0x123, zeros, zeros + width, payloads.reshape(-1)
    )


def only(frames: FrameTable) -> SurveyedIdentifier:
    (found,) = survey(frames)
    return found


def made_payloads(n: int = 2000) -> np.ndarray:
    """Little-endian signed ramp, big-endian ramp, 4-bit counter, constant, CRC in byte 7."""
    t = np.arange(n)
    payload = np.zeros((n, 8), np.uint8)
    signed = np.round(2000 * np.sin(t / 150)).astype("<i2")
    payload[:, 0:2] = signed.view(np.uint8).reshape(n, 2)
    payload[:, 2:4] = (20_000 + 3 * t).astype(">u2").view(np.uint8).reshape(n, 2)
    payload[:, 4] = t % 16
    payload[:, 5] = 0x5A
    payload[:, 7] = checksum(payload[:, :7], KINDS[0])
    return payload


def test_counter_checksum_values_and_their_byte_order_are_found() -> None:
    found = only(table(made_payloads()))
    assert [(c.start, c.length) for c in found.counters] == [(32, 4)]
    assert found.checksum is not None
    assert found.checksum.position == 7
    assert found.values == (
        LikelyValue(0, 2, False, True, -2000, 2000),
        LikelyValue(2, 2, True, False, 20_000, 25_997),
    )
    assert found.changing[4:7] == b"\x0f\0\0"
    assert found.two_senders is None
    assert found.cycle is not None
    assert found.cycle.median_ns == 10 * MS


def test_noise_and_constants_give_no_values() -> None:
    noise = np.random.default_rng(3).integers(0, 256, (1000, 8)).astype(np.uint8)
    found = only(table(noise))
    assert (found.values, found.counters, found.checksum) == ((), (), None)
    assert found.changing == b"\xff" * 8
    still = only(table(np.full((100, 4), 0x42, np.uint8)))
    assert (still.values, still.changing, still.two_senders) == ((), bytes(4), None)


@pytest.mark.parametrize("period_ms", [10, 100])
def test_two_senders_show_by_their_gaps(period_ms: int) -> None:
    n = 500
    rng = np.random.default_rng(4)
    one = np.arange(n) * period_ms * MS + rng.integers(0, period_ms * MS // 100, n)
    times = np.sort(np.concatenate([one, one + period_ms * MS // 8]))
    found = only(table(np.zeros((2 * n, 1), np.uint8), times))
    assert found.two_senders is not None
    assert "uneven" in found.two_senders


def test_two_senders_show_by_their_counters_and_lengths() -> None:
    n = 800
    payload = np.zeros((n, 2), np.uint8)
    payload[::2, 1] = np.arange(n // 2) % 256
    payload[1::2, 1] = (np.arange(n // 2) + 77) % 256
    assert "two counters" in (only(table(payload)).two_senders or "")
    lengths = np.tile([4, 6], n // 2)
    frames = FrameTable.from_columns(
        ["a"],
        np.arange(n) * MS,
        np.zeros(n),
        np.zeros(n),
        np.zeros(n),
        lengths,
        np.zeros(lengths.sum(), np.uint8),
    )
    found = only(frames)
    assert found.lengths == {4: 400, 6: 400}
    assert "take turns" in (found.two_senders or "")


def test_a_value_that_creeps_is_no_pair_of_counters() -> None:
    payload = (53 - np.arange(60) // 2).astype(np.uint8)[:, None]
    assert only(table(payload)).two_senders is None


def test_one_steady_sender_is_one() -> None:
    jitter = np.random.default_rng(5).integers(0, 3 * MS, 1000)
    found = only(table(np.zeros((1000, 1), np.uint8), np.arange(1000) * 10 * MS + jitter))
    assert found.two_senders is None


@given(st.lists(st.binary(max_size=4), min_size=1, max_size=20), st.booleans())
@settings(max_examples=40, deadline=None)
def test_changing_bits_equal_a_plain_loop(payloads: list[bytes], remote: bool) -> None:
    n = len(payloads)
    flags = [0] * n + [REMOTE] * remote
    frames = FrameTable.from_columns(
        ["a"],
        range(n + remote),
        [0] * (n + remote),
        [1] * (n + remote),
        flags,
        [len(p) for p in payloads] + [8] * remote,
        np.frombuffer(b"".join(payloads), np.uint8),
    )
    width = max(map(len, payloads))
    expected = bytearray(width)
    for byte in range(width):
        seen = [p[byte] for p in payloads if len(p) > byte]
        for bit in range(8):
            if len({v >> bit & 1 for v in seen}) == 2:
                expected[byte] |= 1 << bit
    assert changing_bits(frames, np.arange(n), width) == bytes(expected)
    assert only(frames).remote_frames == remote


def test_the_demo_collision_is_found() -> None:
    frames = read_capture(ROOT / "captures" / "collision_short.log.gz").frames
    twice = {s.key.identifier for s in survey(frames) if s.two_senders}
    assert {0x028, 0x02A} <= twice


def test_a_j1939_definition_fits_whatever_the_source_address() -> None:
    n = 50
    frames = FrameTable.from_columns(
        ["charge"],
        np.arange(n) * MS,
        np.zeros(n),
        np.full(n, 0x18FF50E5),
        np.full(n, EXTENDED),
        np.full(n, 8),
        np.zeros(8 * n, np.uint8),
    )
    (found,) = survey(frames)
    message = Message("Status", 0x18FF5020, True, 8, j1939=J1939Id(6, 0xFF50, 0x20, None))
    assert definition_of(found, [message]) is message
    assert definition_of(found, [Message("Status", 0x18FF5020, True, 8)]) is None
    best = fit("a.dbc", (message, Message("Other", 1, False, 8)), "charge", [found])
    assert (best.identifiers, best.of, best.score, best.messages) == (1, 1, 1.0, 2)


def test_the_command_ranks_the_definition_files() -> None:
    run = busplan(
        "survey",
        ROOT / "captures" / "bench_charger_short.log.gz",
        "--definitions",
        ROOT / "dbc_examples",
    )
    assert run.code == 0
    assert "? not defined" in run.out
    best = run.out.split("definition files that fit best")[1].splitlines()[2]
    assert best.strip().startswith("charger.dbc")
