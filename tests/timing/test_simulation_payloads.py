"""Payloads made from definitions alone."""

from dataclasses import replace

import numpy as np
import pytest
from support.vehicles import stream

from busplan.board.facts import judged_boards
from busplan.decode.codec import decode_message
from busplan.definitions.model import Message, MuxCondition, Signal
from busplan.demo.files import shipped
from busplan.plan.reader import load_plan
from busplan.plan.vehicle import Network
from busplan.replay.replay import Replay
from busplan.replay.track import tracks
from busplan.timing.simulation import Feed, simulate
from busplan.timing.simulation_payloads import swinging_payloads
from busplan.timing.simulation_report import Circumstances, simulate_plan

SIGNALS = (
    Signal("Plain", 0, 12),
    Signal("Scaled", 12, 12, scale=0.1, offset=-40, minimum=-20, maximum=85.5, unit="°C"),
    Signal("Signed", 24, 16, signed=True, scale=2, minimum=-600, maximum=600),
    Signal("State", 40, 4, choices={0: "open", 3: "closed", 7: "failed", 99: "never"}),
    Signal("Down", 44, 4, scale=-1, offset=15),
)


def decoded(signals, length=8, fd=False, seed=1):
    message = Message("M", 0x123, False, length, signals, fd=fd)
    sent = replace(stream(0x123), message=message)
    times = np.arange(3000) * 20_000_000
    values = swinging_payloads(seed)
    feed = Feed(sent, times, times, lambda at: values(sent, at))
    frames = simulate([Network("a", 500_000, 2_000_000 if fd else None)], [feed]).frames()
    return decode_message(frames, np.arange(len(frames)), message), frames


def test_every_signal_swings_through_its_range_and_not_beyond():
    found, _ = decoded(SIGNALS)
    ranges = {
        "Plain": (0, 4095),
        "Scaled": (-20, 85.5),
        "Signed": (-600, 600),
        "Down": (0, 15),
    }
    for name, (low, high) in ranges.items():
        values = found.signals[name].values
        assert values.min() == pytest.approx(low, abs=(high - low) * 0.02)
        assert values.max() == pytest.approx(high, abs=(high - low) * 0.02)
        assert values.min() >= low
        assert values.max() <= high
    assert set(found.signals["State"].values) == {0, 3, 7}


def test_the_seed_decides():
    same, other = decoded(SIGNALS)[1], decoded(SIGNALS, seed=2)[1]
    assert decoded(SIGNALS)[1].payload.tolist() == same.payload.tolist()
    assert same.payload.tolist() != other.payload.tolist()


def test_selectors_take_turns_and_their_signals_move():
    signals = (
        Signal("Page", 0, 8, selects=True),
        Signal("One", 8, 8, condition=MuxCondition("Page", ((1, 1),))),
        Signal("Two", 8, 16, condition=MuxCondition("Page", ((4, 5),))),
    )
    found, _ = decoded(signals)
    assert set(found.signals["Page"].values) == {1, 4, 5}
    assert found.signals["One"].present.sum() == 1000
    assert found.signals["Two"].present.sum() == 2000
    assert len(set(found.signals["Two"].values[found.signals["Two"].present])) > 500


def test_wide_and_floating_signals_fit():
    signals = (
        Signal("Wide", 0, 64),
        Signal("Low", 64, 64, signed=True),
        Signal("Float", 128, 32, is_float=True, minimum=-5, maximum=5),
    )
    found, _ = decoded(signals, length=20, fd=True)
    assert len(set(found.signals["Wide"].values)) > 2000
    assert found.signals["Low"].values.min() < -(2**62)
    assert np.abs(found.signals["Float"].values).max() == pytest.approx(5, abs=0.1)


def test_frame_counters_count_and_checksums_are_right():
    """CRC-8 SAE J1850 as AUTOSAR publishes it, held against a bit by bit division."""
    signals = (
        Signal("Value", 0, 16),
        Signal("AliveCounter", 48, 4),
        Signal("Checksum", 56, 8),
    )
    found, frames = decoded(signals)
    assert found.signals["AliveCounter"].values.tolist() == [i % 16 for i in range(3000)]
    for row in range(0, 3000, 500):
        data = frames.bytes_of(row)
        crc = 0xFF
        for bit in (byte >> n & 1 for byte in data[:7] for n in range(7, -1, -1)):
            crc = (crc << 1 ^ (0x1D if (crc >> 7) ^ bit else 0)) & 0xFF
        assert data[7] == crc ^ 0xFF


def test_believable_values_are_those_of_a_calm_and_even_vehicle():
    van = load_plan(shipped("dbc_examples") / "as_built.toml")
    frames = simulate_plan(van, Circumstances(seconds=4, seed=3), believable=True).frames()
    shown = Replay.of(van, frames, source="played.log")
    layout = van.pack
    cells = np.array([t.value for t in tracks(shown, [c.address for c in layout.cells])])
    limits = layout.limits
    assert cells.min() > limits.cell_low_v + 0.2 * (limits.cell_high_v - limits.cell_low_v)
    assert cells.max() < limits.cell_high_v - 0.2 * (limits.cell_high_v - limits.cell_low_v)
    assert np.ptp(cells, axis=0).max() < limits.voltage_spread_v / 2
    assert (np.ptp(cells, axis=1) > 0).all(), "each of them moves"
    (whole,) = tracks(shown, [layout.quantities["voltage"]])
    assert whole.value.mean() == pytest.approx(cells.mean() * len(cells), rel=0.01)
    state = judged_boards(shown, None)
    assert state.at(state.boards.boards[0], 3_900_000_000).word == "all in range"
    contactors = found_state(shown)
    assert {contactors.named(v) for v in contactors.value} == {"Closed"}


def found_state(shown):
    """The contactors' state, by its name."""
    address = next(a for a, _, s in shown.vehicle.signals() if s.name == "ContactorState")
    (track,) = tracks(shown, [address])
    return track
