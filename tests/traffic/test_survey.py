"""The survey finds what was put into made payloads, and the demo's planted collision."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from support.command import busplan
from support.survey_score import score

from busplan.capture.capture import apply_plan
from busplan.capture.read import read_capture
from busplan.decode.encode import encode_message
from busplan.decode.protection import KINDS, checksum
from busplan.definitions.model import J1939Id, Message, Signal
from busplan.frames.kinds import EXTENDED, REMOTE
from busplan.frames.table import FrameTable
from busplan.plan.reader import load_plan
from busplan.plan.single import vehicle_of_part
from busplan.traffic.fields import LikelyValue, likely_values
from busplan.traffic.fit import definition_of, fit
from busplan.traffic.measurement import measure_traffic
from busplan.traffic.survey import SurveyedIdentifier, changing_bits, survey

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
        LikelyValue(0, 16, False, True, -2000, 2000),
        LikelyValue(23, 16, True, False, 20_000, 25_997),
    )
    assert found.changing[4:7] == b"\x0f\0\0"
    assert found.two_senders is None
    assert found.cycle is not None
    assert found.cycle.median_ns == 10 * MS


def packed(fields: list[tuple[int, int, bool, np.ndarray]], width: int = 8) -> np.ndarray:
    """Payloads with numbers at (start, length, big-endian), by the codec's own encoder."""
    signals = tuple(
        Signal(f"S{i}", start, length, big, signed=bool((raw < 0).any()))
        for i, (start, length, big, raw) in enumerate(fields)
    )
    values = {s.name: raw for s, (*_, raw) in zip(signals, fields, strict=True)}
    return encode_message(Message("M", 1, False, width, signals), values, len(fields[0][3]))


T = np.arange(3000)
SLOW = np.round(1900 + 1800 * np.sin(T / 200)).astype(np.int64)
FAST = np.round(2048 + 1500 * np.sin(T / 40)).astype(np.int64)
DRIFT = np.cumsum(np.random.default_rng(8).integers(-60, 61, len(T))) + 66_000
RISING = 3_000_000 + 1700 * T


@pytest.mark.parametrize("big", [False, True])
@pytest.mark.parametrize("raw", [SLOW, FAST], ids=["slow", "fast"])
def test_two_values_of_12_bits_in_three_bytes(big: bool, raw: np.ndarray) -> None:
    places = [(15, True), (19, True)] if big else [(8, False), (20, False)]
    other = np.round(700 + 600 * np.cos(T / 90)).astype(np.int64)
    fields = [(start, 12, order, n) for (start, order), n in zip(places, (raw, other), strict=True)]
    assert [(v.start, v.length, v.big_endian) for v in likely_values(packed(fields), set())] == [
        (start, 12, big) for start, _ in places
    ]


@pytest.mark.parametrize("big", [False, True])
def test_wide_values_as_far_as_they_moved_beside_a_counter(big: bool) -> None:
    start = 39 if big else 32
    fields = [(0, 4, False, T % 16), (15 if big else 8, 24, big, RISING), (start, 32, big, DRIFT)]
    found = only(table(packed(fields)))
    assert [(c.start, c.length) for c in found.counters] == [(0, 4)]
    assert [(v.start, v.length, v.low, v.high) for v in found.values] == [
        (fields[1][0], 24, RISING.min(), RISING.max()),
        # Its highest byte rests, so nothing tells that it belongs to it.
        (start + 8 if big else start, 24, DRIFT.min(), DRIFT.max()),
    ]


def test_values_that_move_alike_keep_the_order_of_the_rest() -> None:
    cells = [(16 * i, 16, False, 3800 + SLOW // 12 + i % 2) for i in range(4)]
    assert [str(v) for v in likely_values(packed(cells), set())] == [
        f"bytes {2 * i}-{2 * i + 1}: unsigned 16 bit little-endian, {n.min()} to {n.max()}"
        for i, (*_, n) in enumerate(cells)
    ]


def test_pages_of_a_multiplexed_message_are_kept_apart() -> None:
    """Both pages use the same bytes, each in an order of its own; the selector may lie anywhere."""
    for place in (0, 24):
        pages = T % 3
        one, other = 3000 + SLOW, 60_000 - FAST * 9
        raw = np.where(pages == 0, one, np.where(pages == 1, other.astype("<u2").byteswap(), 7))
        found = only(table(packed([(place, 4, False, pages + 1), (32, 16, False, raw)])))
        assert (str(found.selector), found.two_senders) == (f"byte {place // 8}", None)
        ends = [(part.min(), part.max()) for part in (one[pages == 0], other[pages == 1])]
        assert found.values == (
            LikelyValue(32, 16, False, False, *ends[0], page=1),
            LikelyValue(39, 16, True, False, *ends[1], page=2),
        )
        assert str(found.values[0]).startswith("page 1, bytes 4-5: unsigned 16 bit little-endian")
    counted = packed([(0, 4, False, T % 15), (32, 16, False, SLOW)])
    counted[:, 7] = checksum(counted[:, :7], KINDS[0])
    assert only(table(counted)).selector is None


def test_a_value_says_where_it_lies() -> None:
    assert str(LikelyValue(12, 4, False, False, 1, 9)) == "byte 1 bits 7-4: unsigned 4 bit, 1 to 9"
    assert str(LikelyValue(12, 12, False, True, -7, 9)) == (
        "bytes 1-2: signed 12 bit little-endian to byte 1 bit 4, -7 to 9"
    )
    assert str(LikelyValue(11, 12, True, False, 1, 9)) == (
        "bytes 1-2: unsigned 12 bit big-endian from byte 1 bit 3, 1 to 9"
    )


def test_the_demo_drive_is_read_well_without_definitions() -> None:
    vehicle = load_plan(ROOT / "dbc_examples" / "as_built.toml")
    capture = apply_plan(read_capture(ROOT / "captures" / "drive_short.log.gz"), vehicle)
    counts = score(capture.frames, vehicle)
    assert counts["quantities"] > 150
    assert counts["right"] > 0.85 * counts["quantities"]
    assert counts["wrong"] <= 2


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


@pytest.mark.parametrize(("apart", "two"), [(0.15, False), (0.25, True)])
def test_gaps_a_fifth_uneven_are_two_senders(apart: float, two: bool) -> None:
    # Gaps in turn longer and shorter than 10 ms by this share: every second frame keeps 20 ms.
    gaps = np.tile([1 + apart, 1 - apart], 100) * 10 * MS
    found = only(table(np.zeros((201, 1), np.uint8), np.append(0, np.cumsum(gaps))))
    assert (found.two_senders is not None) is two


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


def clashing(period_ms: tuple[int, int], lengths: tuple[int, int] = (2, 2)) -> FrameTable:
    """Two senders of one identifier, each with its own period, counter (byte 0) and length."""
    times = [np.arange(0, 60_000, p) * MS + at * 300_000 for at, p in enumerate(period_ms)]
    order = np.argsort(np.concatenate(times), kind="stable")
    sender = np.repeat([0, 1], [len(t) for t in times])[order]
    count = np.concatenate([np.arange(len(times[0])), 100 + np.arange(len(times[1]))])[order]
    n = len(order)
    length = np.array(lengths)[sender]
    payload = [bytes([c % 256]).ljust(size, b"\0") for c, size in zip(count, length, strict=True)]
    return FrameTable.from_columns(
        ["can0"],
        np.concatenate(times)[order],
        np.zeros(n),
        np.zeros(n),
        np.zeros(n),
        length,
        np.frombuffer(b"".join(payload), np.uint8),
    )


def test_two_senders_with_periods_of_their_own_show_too() -> None:
    assert "two counters at different paces" in (only(clashing((100, 70))).two_senders or "")
    said = only(clashing((100, 250), (3, 5))).two_senders or ""
    assert said == "frames of 3 and of 5 bytes keep a period each"


def test_one_sender_that_now_and_then_sends_more_is_one() -> None:
    n = 600
    lengths = np.where(np.arange(n) % 20 == 7, 6, 4)
    zeros = np.zeros(n)
    frames = FrameTable.from_columns(
        ["a"], np.arange(n) * 10 * MS, zeros, zeros, zeros, lengths, np.zeros(lengths.sum())
    )
    assert only(frames).two_senders is None


def test_a_counter_that_skips_and_one_sent_twice_are_no_two() -> None:
    count = np.arange(1000)
    skipping = count + (count > 400) * 9
    for values in (skipping, count // 2, count // 3, count // 2 % 15, count * 3):
        payload = np.stack([values % 256, values % 16], axis=1).astype(np.uint8)
        assert only(table(payload)).two_senders is None


def test_a_value_that_creeps_is_no_pair_of_counters() -> None:
    payload = (53 - np.arange(60) // 2).astype(np.uint8)[:, None]
    assert only(table(payload)).two_senders is None


def test_one_steady_sender_is_one() -> None:
    jitter = np.random.default_rng(5).integers(0, 3 * MS, 1000)
    found = only(table(np.zeros((1000, 1), np.uint8), np.arange(1000) * 10 * MS + jitter))
    assert found.two_senders is None


@given(st.lists(st.binary(max_size=4), min_size=1, max_size=20), st.booleans())
@settings(max_examples=40)
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


def test_a_fit_is_the_frames_explained_times_the_lengths_that_agree() -> None:
    n = 40
    frames = FrameTable.from_columns(
        ["a"],
        np.arange(n) * MS,
        np.zeros(n),
        np.repeat([1, 2, 3], [20, 10, 10]),
        np.zeros(n),
        np.repeat([8, 4, 8], [20, 10, 10]),
        np.zeros(8 * 20 + 4 * 10 + 8 * 10, np.uint8),
    )
    # By hand: 30 of 40 frames are defined; of two identifiers one has the length that is defined.
    best = fit("a.dbc", (Message("A", 1, False, 8), Message("B", 2, False, 8)), "a", survey(frames))
    assert (best.identifiers, best.of) == (2, 3)
    assert (best.frames_share, best.length_share, best.score) == (0.75, 0.5, 0.375)


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


def test_a_network_that_is_not_there_is_one_clear_error() -> None:
    run = busplan("survey", ROOT / "captures" / "collision_short.log.gz", "--network", "can33")
    assert run.code == 3
    assert "no network 'can33' here" in run.err


def test_files_of_a_folder_are_found_whatever_the_case_of_their_ending(tmp_path: Path) -> None:
    (tmp_path / "CHARGER.DBC").write_bytes((ROOT / "dbc_examples" / "charger.dbc").read_bytes())
    capture = ROOT / "captures" / "bench_charger_short.log.gz"
    run = busplan("survey", capture, "--definitions", tmp_path)
    assert "ChargerStatus (CHARGER.DBC)" in run.out
    assert "No load for can2: bit rate unknown" in run.out


def test_a_torn_definition_file_is_told(tmp_path: Path) -> None:
    whole = (ROOT / "dbc_examples" / "charger.dbc").read_bytes()
    torn = tmp_path / "torn.dbc"
    torn.write_bytes(whole[: whole.index(b"ChargerOutput: 8") + 16])
    capture = ROOT / "captures" / "bench_charger_short.log.gz"
    run = busplan("survey", capture, "--definitions", torn)
    assert "ChargerStatus (torn.dbc)" in run.out
    assert "torn.dbc: 1 blemish, the first: Line " in run.err


@pytest.mark.parametrize(("periods", "told"), [((100, 70), True), ((100, 7_000_000), False)])
def test_measuring_against_a_plan_tells_of_two_senders_too(
    periods: tuple[int, int], told: bool, tmp_path: Path
) -> None:
    dbc = tmp_path / "unit.dbc"
    dbc.write_text(
        'VERSION ""\nBU_: UNIT\nBO_ 0 Status: 2 UNIT\n SG_ Count : 0|8@1+ (1,0) [0|255] "" X\n'
        'BA_DEF_ BO_ "GenMsgCycleTime" INT 0 65535;\nBA_ "GenMsgCycleTime" BO_ 0 100;\n'
    )
    vehicle = vehicle_of_part(dbc, "UNIT", bit_rate=500_000)
    (name,) = vehicle.networks
    frames = replace(clashing(periods), networks=(name,))
    found = measure_traffic(frames, vehicle).findings
    assert ("two-senders-likely" in {f.code for f in found}) is told
    assert ("cycle-measured-fast" in {f.code for f in found}) is told
