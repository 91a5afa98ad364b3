"""Bit timing registers and agreement of sample points."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from busplan.wire.bit_timing import (
    NodeTiming,
    classical_registers,
    disagreement,
    fd_registers,
)


def test_the_published_example_of_a_controller() -> None:
    # Datasheet DS21801, section 5.3: 20 MHz, 125 kbit/s, 16 quanta, sample at 62.5 %.
    found = classical_registers(20_000_000, 125_000, 0.625)
    assert found is not None
    assert 1 + found.before + found.after == 16
    assert (found.sample_point, found.bit_rate, found.prescaler) == (0.625, 125_000, 10)


def test_wider_registers_are_tried_where_the_oldest_do_not_reach() -> None:
    found = classical_registers(80_000_000, 125_000, 0.875)
    assert found is not None
    assert found.bit_rate == 125_000
    assert found.sample_point == pytest.approx(0.875, abs=0.01)


def test_a_clock_that_does_not_divide_is_impossible() -> None:
    assert classical_registers(7_000_000, 1_000_000, 0.75) is None
    assert fd_registers(8_000_000, 500_000, 0.8, 5_000_000, 0.75) is None


@given(
    st.sampled_from([8, 16, 20, 24, 40, 80]),
    st.sampled_from([50_000, 125_000, 250_000, 500_000, 1_000_000]),
    st.floats(0.7, 0.9),
)
def test_registers_give_back_what_they_say(mhz: int, rate: int, point: float) -> None:
    found = classical_registers(mhz * 10**6, rate, point)
    if found is None:
        return
    quanta = 1 + found.before + found.after
    assert mhz * 10**6 / found.prescaler / quanta == found.bit_rate == pytest.approx(rate, rel=4e-3)
    assert (1 + found.before) / quanta == pytest.approx(found.sample_point)
    assert abs(found.sample_point - point) <= 1 / quanta
    assert found.jump <= found.after


def test_both_phases_of_can_fd() -> None:
    found = fd_registers(40_000_000, 500_000, 0.8, 2_000_000, 0.75)
    assert found is not None
    nominal, data = found
    assert (nominal.bit_rate, nominal.sample_point) == (500_000, 0.8)
    assert (data.bit_rate, data.sample_point) == (2_000_000, 0.75)


def test_agreement_counts_known_sample_points_only() -> None:
    stated = NodeTiming("a", None, 0.8, None, None, None, False)
    registers = classical_registers(16_000_000, 500_000, 0.875)
    made = NodeTiming("b", 16_000_000, 0.875, None, registers, None, False)
    unknown = NodeTiming("c", 7_000_000, 0.5, None, None, None, True)
    assert disagreement([stated, unknown]) is None
    assert disagreement([stated, made, unknown]) == pytest.approx(0.075)
