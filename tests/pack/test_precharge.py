"""How full a link was at closing: bounds in closed form, and a contact that follows late.

v = V (1 - exp(-t/RC)), step response of an RC circuit (any textbook of circuits).
"""

from __future__ import annotations

import numpy as np
import pytest
from support.sense import at_once, sense
from truth.electrical import STATES

from busplan.pack.electrical.precharge import Closing, closing_of
from busplan.pack.series import Trace


@pytest.mark.parametrize(("period_s", "tau_s", "lasts_s"), [(0.5, 0.05, 0.4), (0.2, 0.02, 0.15)])
def test_a_contact_that_closes_a_moment_after_it_was_told_accuses_nobody(
    period_s: float, tau_s: float, lasts_s: float
) -> None:
    # v = V (1 - exp(-t/RC)) from 30 ms after the state told it: full long before the main contact.
    time = np.arange(0.0, 12.0, period_s)
    for begin in 6.0 + period_s * np.arange(0.0, 1.0, 0.04):
        passed = time - begin - 0.03
        share = np.where(passed < lasts_s, -np.expm1(-np.maximum(passed, 0.0) / tau_s), 1.0)
        state = np.where(time < begin, 0.0, np.where(time < begin + lasts_s, 1.0, 2.0))
        traces = {
            "contactor_state": Trace(time, state, 1.0, choices=STATES),
            "link_voltage": Trace(time, np.round(3600.0 * share) / 10.0, 0.1),
            "voltage": Trace(time, np.full(len(time), 360.0), 0.1),
        }
        result = sense(at_once(traces))
        assert "pre-charge-incomplete" not in result.codes, begin


def closing(
    share: list[float],
    told_s: float | None = 0.0,
    settled: int = 30,
    closed: int | None = None,
) -> Closing:
    """A closing on 100 V, a reading a tenth from 5.0 s on, then full; the state came with each.

    It is closed after all of ``share``, or after so many.
    """
    link = np.array([*share, *[1.0] * settled])
    time = 5.0 + 0.1 * np.arange(len(link))
    first = float(time[len(share) if closed is None else closed])
    begun = None if told_s is None else (told_s - 0.1, told_s)
    pack = Trace(time, np.full(len(time), 100.0), 0.01)
    return closing_of(Trace(time, 100.0 * link, 0.01), pack, (first - 0.1, first), begun, 0.0)


@pytest.mark.parametrize(
    ("share", "told_s", "high"),
    [
        # Told for long and nothing rises: it closed onto what was there.
        ([0.0, 0.0, 0.0], 4.0, 0.0),
        ([0.0, 0.0, 0.0], 5.05, 0.0),  # for longer than a contact takes, by the last reading
        ([0.0, 0.0, 0.0], 5.15, 1.0),  # it may have begun after the last reading
        # By the step before it rises at most (concave), and by nothing where it falls.
        ([0.0, 0.3, 0.4], 4.0, 0.5),
        ([0.5, 0.45, 0.40], 4.0, 0.4),
        # Below two hundredths nothing has risen yet; from there on it goes on as it did.
        ([0.0, 0.0, 0.015], 4.0, 0.015),
        ([0.0, 0.0, 0.03], 4.0, 0.06),
        # The charge may have begun anywhere between the readings.
        ([0.0, 0.0, 0.3], 5.05, 1.0),
        ([0.0, 0.0, 0.3], None, 1.0),
        ([0.0, 0.2, 0.3], None, 0.4),
    ],
)
def test_how_full_the_link_can_have_been_at_most(
    share: list[float], told_s: float | None, high: float
) -> None:
    found = closing(share, told_s).share
    assert found.low == pytest.approx(share[-1], abs=0.002)
    assert found.low <= share[-1]
    # By the noise of a reading more, and no more than that.
    assert high <= found.high == pytest.approx(high, abs=0.002)
    assert found.high > high or high == 1.0


def test_a_link_short_of_the_pack_by_two_hundredths_is_not_full() -> None:
    assert closing([0.5, 0.8, 0.975]).share.low == pytest.approx(0.975, abs=0.002)
    there = closing([0.5, 0.8, 0.99], closed=2).share
    assert there.low == pytest.approx(0.8, abs=0.002)
    assert closing([0.5, 0.8, 0.975], closed=2).share.low == pytest.approx(0.975, abs=0.002)
    # Where the two sensors cannot be held together, they may differ by a hundredth.
    alone = closing([0.5, 0.8, 0.9], settled=2).share
    assert alone.low == pytest.approx(0.9 - 0.012, abs=0.003)


@pytest.mark.parametrize("settling", [[], [1.0] * 13])
def test_four_seconds_once_closed_hold_the_sensors_together(settling: list[float]) -> None:
    """A link sensor reads 0.95 of the pack for most of that time, and later something else."""
    rest = [*settling, *[0.95] * (40 - len(settling)), *[0.5] * 60]
    found = closing([0.5, 0.8, 0.9, *rest], settled=0, closed=3)
    assert found.share.low == pytest.approx(0.9 / 0.95, abs=0.03)


def test_readings_at_one_moment_tell_no_time_constant_and_end_nothing() -> None:
    """Two senders of one identifier give two readings at one moment."""
    time = np.repeat(5.0 + 0.1 * np.arange(30), 2)
    link = 100.0 * -np.expm1(-(time - 5.0) / 0.4)
    pack = Trace(time, np.full(len(time), 100.0), 0.01)
    told = closing_of(Trace(time, link, 0.01), pack, (7.0, 7.1), (4.9, 5.0), 0.0)
    assert told.tau_s == pytest.approx(0.4, rel=0.2)
    at_once = np.full(len(time), 5.0)
    pack = Trace(at_once, np.full(len(time), 100.0), 0.01)
    closing_of(Trace(at_once, link, 0.01), pack, (5.0, 5.0), (4.9, 5.0), 0.0)
