"""Insulation: what of its readings is a measurement, what a steady fall, and of which pack.

100 and 500 ohms per volt: UN R100 5.1.3 as quoted, ISO 6469-3 from memory.
"""

from __future__ import annotations

import numpy as np
import pytest
from support.sense import GOOD, NOT_SHOWN, TIME, flat, sense, thinned

from busplan.pack.series import Trace

CELLS = [flat(3.7, 0.001)] * 24
"""24 cells: 100.8 V at their limit of 4.2 V."""


def test_a_fall_in_one_step_is_no_steady_fall() -> None:
    time = np.arange(0.0, 660.0, 1.0)
    ohms = np.where(time < 400, 240e3, 100e3)
    assert sense({"insulation": Trace(time, ohms, 1e3)}, cells=CELLS).codes == []


@pytest.mark.parametrize(("seconds", "answer"), [(9.0, NOT_SHOWN), (11.0, GOOD)])
def test_a_few_seconds_of_the_monitor_show_nothing(seconds: float, answer: str) -> None:
    time = np.arange(0.0, seconds, 0.1)
    ohms = 1e6 + 1e3 * (time // 1.0 % 2)
    assert sense({"insulation": Trace(time, ohms, 1e3)}, cells=CELLS)["insulation"].answer == answer


@pytest.mark.parametrize("first", [1e3, 2e3, 60e6])
def test_a_start_up_value_is_one_at_either_end_of_the_range_or_of_one_step(first: float) -> None:
    # Twelve seconds of it would be a fault, or good news of the highest value.
    begun = Trace(TIME, np.where(TIME < 12, first, 2e6), 1e3, lowest=2e3, highest=60e6)
    assert sense({"insulation": begun}, cells=CELLS).codes == []
    only = thinned(begun, TIME < 12)
    check = sense({"insulation": only}, cells=CELLS)["insulation"]
    assert check.answer is NOT_SHOWN
    assert check.text == "the monitor told nothing but start-up values"


def test_insulation_is_held_against_the_pack_that_is_there_and_else_not_judged() -> None:
    # 100 kilohms are 250 ohms per volt at 400 V; of a pack of unknown voltage they tell nothing.
    ohms = {"insulation": flat(100e3, 1e3)}
    assert sense(ohms | {"voltage": flat(400.0)}).codes == ["insulation-low"]
    check = sense(ohms)["insulation"]
    assert check.answer is NOT_SHOWN
    assert "neither cells nor pack voltage" in check.text
