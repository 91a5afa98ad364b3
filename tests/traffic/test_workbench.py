"""Hidden fields held against known signals: the truth is always among the equally good ones, and
nothing is called found that was not seen often enough.
"""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from support.hidden_fields import HIDDEN
from support.van import make_replay

from busplan.board.workbench import bench_on, draft_text, open_bench
from busplan.capture.capture import apply_plan
from busplan.capture.read import read_capture
from busplan.demo.files import shipped
from busplan.errors import UsageError
from busplan.frames.identifier import FrameKey
from busplan.plan.reader import load_plan
from busplan.replay.opening import replay_of
from busplan.replay.replay import Replay
from busplan.text.runs import text
from busplan.text.workbench_draw import draw_bits, draw_field, shade_of
from busplan.traffic.workbench import (
    ALIKE,
    SURE,
    TURNS,
    Field,
    bit_moves,
    candidates,
    confirm,
    fit_of,
    hold_against,
    turning_points,
)


def wave(n: int, seed: int = 0, turns: int = 12) -> np.ndarray:
    rng = np.random.default_rng(seed)
    t = np.linspace(0, turns * np.pi, n)
    phase, slower = rng.uniform(0, 6.28, 2)
    other = 20 * np.sin((0.3 + 0.02 * (seed % 9)) * t + slower)
    return 60 * np.sin(t + phase) + other + rng.normal(0, 0.4, n)


def hidden(field: Field, raw: np.ndarray, seed: int) -> np.ndarray:
    """Payloads of 8 bytes that carry ``raw`` in a field; the rest is a counter and other bits."""
    rng = np.random.default_rng(seed)
    bits = np.zeros((len(raw), 64), np.uint8)
    bits[:, 56:60] = np.arange(len(raw))[:, None] >> np.arange(4) & 1
    others = rng.integers(0, 2, (len(raw), 64), dtype=np.uint8)
    free = [b for b in range(40, 48) if b not in field.bits()]
    bits[:, free] = others[:, free]
    for bit, place in enumerate(reversed(field.bits())):
        bits[:, place] = raw >> bit & 1
    return np.packbits(bits, axis=1, bitorder="little")


KINDS = [
    Field(0, 8),
    Field(8, 8, signed=True),
    Field(0, 16),
    Field(16, 16, signed=True),
    Field(7, 16, big_endian=True),
    Field(23, 16, big_endian=True, signed=True),
    Field(4, 12),
    Field(3, 12, big_endian=True),
    Field(0, 10),
    Field(6, 11, signed=True),
    Field(8, 24),
    Field(0, 32, signed=True),
    Field(15, 24, big_endian=True, signed=True),
]


@pytest.mark.parametrize("field", KINDS, ids=str)
def test_the_hidden_field_is_among_the_equally_good_ones(field: Field) -> None:
    known = wave(900, seed=field.start)
    steps = (1 << min(field.length, 12)) - 1
    middle = 0.0 if field.signed else 0.5
    raw = np.rint((known / 200 + middle) * steps).astype(np.int64)
    sample = hidden(field, raw & ((1 << field.length) - 1), seed=field.length)
    np.testing.assert_array_equal(field.of(sample), raw)
    held = hold_against(sample, known)
    assert field in [fit.field for fit in held.fits]
    mine = next(fit for fit in held.fits if fit.field == field)
    assert mine.scale * steps / 200 == pytest.approx(1, rel=0.03)
    assert held.turns >= TURNS
    assert not held.found
    again = confirm(
        held, hidden(held.fits[0].field, (raw & ((1 << held.fits[0].field.length) - 1)), 5), known
    )
    assert again.confirmed is not None


@pytest.fixture(scope="module")
def demo() -> dict[str, Replay]:
    """The short cuts of the demo's captures (invented)."""
    vehicle = load_plan(shipped("dbc_examples") / "as_built.toml")
    files = {name: shipped("captures") / f"{name}_short.log.gz" for name in ("drive", "charge")}
    return {n: replay_of(apply_plan(read_capture(f), vehicle), vehicle) for n, f in files.items()}


def test_hidden_fields_of_the_demo_are_among_the_equally_good_ones(demo: dict[str, Replay]) -> None:
    for hidden in HIDDEN:
        network, _, digits = hidden.identifier.partition("/")
        key = FrameKey(network, len(digits) == 10, int(digits, 16))
        held = bench_on(demo[hidden.capture], key, (5.0, 1e9)).held_against(hidden.known)
        assert hidden.field in [fit.field for fit in held.fits], hidden
        assert not held.found, "one capture confirms nothing"


def test_every_field_that_is_equally_good_by_a_plain_look_is_told() -> None:
    for field in (Field(6, 11, signed=True), Field(15, 24, True, True)):
        raw = np.rint(wave(300, field.length) * 30).astype(np.int64)
        sample = hidden(field, raw & ((1 << field.length) - 1), 9)
        known = wave(300, field.length)
        plain = [fit_of(sample, known, each) for each in candidates(bit_moves(sample))]
        left = {fit.field: 1 - abs(fit.r) for fit in plain if fit is not None}
        good = {f for f, open_ in left.items() if open_ <= ALIKE * min(left.values()) + 1e-12}
        assert {fit.field for fit in hold_against(sample, known).fits} == good


def test_found_needs_a_second_capture_that_agrees() -> None:
    field, known, later = Field(0, 16), wave(900, 1), wave(900, 2)

    def payloads(values: np.ndarray, scale: float = 50.0) -> np.ndarray:
        return hidden(field, np.rint(values * scale).astype(np.int64) + 20_000, 3)

    held = hold_against(payloads(known), known)
    assert held.doubts == ["no second capture confirms it"]
    assert confirm(held, payloads(later), later).found
    assert not confirm(held, payloads(later), known).found
    assert not confirm(held, payloads(later, -50.0), later).found
    nothing = confirm(held, payloads(later), np.full(900, np.nan))
    assert nothing.doubts == ["the known signal is not in the second capture"]
    resting = confirm(held, payloads(later), np.full(900, 5.0))
    assert resting.doubts == ["the known signal rests in the second capture"]
    assert confirm(held, payloads(np.zeros(900)), later).confirmed == 0.0
    ramp = np.linspace(0, 100, 900)
    few = confirm(hold_against(payloads(ramp), ramp), payloads(ramp), ramp)
    assert few.fits[0].r > SURE
    assert few.doubts == ["the known signal turned 0 times, 6 at least are needed"]
    once = replace(few, turns=1)
    assert once.doubts == ["the known signal turned 1 time, 6 at least are needed"]


def test_unrelated_signals_are_never_found() -> None:
    for seed in range(12):
        field = KINDS[seed % len(KINDS)]
        raw = np.rint(wave(600, seed) * 10).astype(np.int64) & ((1 << field.length) - 1)
        sample, known = hidden(field, raw, seed), wave(600, 100 + seed, turns=9 + seed % 5)
        held = hold_against(sample, known)
        assert not confirm(held, sample, known).found


def test_a_signal_that_rests_or_is_not_known_finds_nothing() -> None:
    sample = hidden(Field(0, 8), np.arange(100) & 255, 0)
    assert hold_against(sample, np.full(100, 5.0)).fits == ()
    assert hold_against(sample, np.full(100, np.nan)).fits == ()
    assert "no field" in hold_against(sample, np.full(100, 5.0)).doubts[0]
    assert hold_against(np.zeros((50, 8), np.uint8), wave(50)).fits == ()


@given(st.lists(st.integers(-50, 50), min_size=3, max_size=60))
def test_turning_points_are_those_of_a_plain_zigzag(values: list[int]) -> None:
    array = np.array(values, float)
    least = 0.1 * (array.max() - array.min())
    turns = turning_points(array)
    if least == 0:
        assert turns == 0
        return
    # No more than the places where the plain series changes direction.
    steps = np.sign(np.diff(array[np.concatenate([[True], np.diff(array) != 0])]))
    assert turns <= int((np.diff(steps) != 0).sum())
    assert turning_points(array[::-1]) in range(turns - 1, turns + 2)
    assert turning_points(-array) == turns


def test_turns_of_a_wave_are_its_tops_and_bottoms() -> None:
    assert turning_points(np.sin(np.linspace(0, 6 * np.pi, 500))) == 6
    assert turning_points(np.linspace(0, 1, 50)) == 0
    noise = np.random.default_rng(0).normal(0, 0.01, 500)
    assert turning_points(np.sin(np.linspace(0, 6 * np.pi, 500)) + noise) == 6


def test_only_fields_that_move_are_tried() -> None:
    moves = np.zeros(64)
    assert candidates(moves) == []
    moves[3] = 0.5
    assert all(3 in f.bits() for f in candidates(moves))
    assert Field(3, 4, signed=True) not in candidates(moves)
    assert Field(0, 4, signed=True) in candidates(moves)
    sample = np.array([[0], [1], [0], [3]], np.uint8)
    assert bit_moves(sample).tolist() == pytest.approx([1, 1 / 3, 0, 0, 0, 0, 0, 0])


def test_the_bench_shows_bits_and_curve_and_writes_a_draft() -> None:
    replay = make_replay()
    bench = open_bench(replay, 0x1700, True)
    lines = [text(line) for line in draw_bits(bench, Field(0, 16), 100)]
    assert "PackStatus" in lines[0]
    assert lines[3].count("[") == 8
    assert lines[5].count("[") == 0
    assert [shade_of(m) for m in (0.0, 0.001, 0.999)] == [" ", "·", "█"]
    assert any(
        "▄" in text(line) or "▀" in text(line) for line in draw_field(bench, Field(0, 16), 80, 8)
    )
    held = bench.held_against("PackCurrent")
    assert Field(0, 16) in [f.field for f in held.fits]
    draft = draft_text(bench, held.fits[0].field, held)
    assert "confidence" in draft
    assert "turned 0 times" in draft
    document = bench.as_dict(Field(0, 16), held)
    assert document["field"]["highest"] == pytest.approx(800, abs=1)
    assert not document["against"]["found"]
    for wrong in ("Nobody", "CellVoltage*"):
        with pytest.raises(UsageError):
            bench.known(wrong)
    with pytest.raises(UsageError, match="not in this capture"):
        open_bench(replay, 0x7FF, False)
    with pytest.raises(UsageError, match="no data frame"):
        open_bench(replay, 0x1700, True, within_s=(900, 901))


def test_a_slow_ramp_of_sixteen_bits_is_one_number() -> None:
    """As in a real log: bytes 0-1 from 1925 to 2362 in steps of at most 6, mostly resting."""
    from busplan.traffic.fields import likely_values

    for seed in (17, 33, 73):
        rng = np.random.default_rng(seed)
        steps = rng.integers(0, 7, 3000) * (rng.random(3000) < 0.3)
        value, way = [1925], 1
        for step in steps.tolist():
            if not 1925 <= value[-1] + way * step <= 2362:
                way = -way
            value.append(value[-1] + way * step)
        sample = np.zeros((len(value), 8), np.uint8)
        sample[:, 0], sample[:, 1] = np.array(value) & 255, np.array(value) >> 8
        (found,) = likely_values(sample, set())
        assert (found.start, found.length, found.big_endian, found.signed) == (0, 16, False, False)
