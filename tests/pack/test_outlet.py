"""The liquid's outlet lies between inlet and modules: whether it is told when it does not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from support.sense import BAD, GOOD, NOT_SHOWN, Sensed, sense

from busplan.pack.series import Trace


def loop(swapped: bool = False, apart_k: float = 15.0, beyond_k: float = 0.0) -> Sensed:
    time = np.arange(0.0, 900.0, 1.0)
    body = 20 + 10 * -np.expm1(-time / 600)
    into = body + apart_k
    out = body + 0.4 * apart_k + np.where(time > 400, beyond_k + 0.6 * apart_k, 0.0)
    pair = (Trace(time, into, 0.1), Trace(time, out, 0.1))
    inlet, outlet = pair[::-1] if swapped else pair
    sensors = [Trace(time, np.round(2 * (body + k)) / 2, 0.5) for k in (-0.5, 0.5)]
    return sense({"inlet_temperature": inlet, "outlet_temperature": outlet}, sensors=sensors)


@pytest.mark.parametrize(
    ("swapped", "apart_k", "beyond_k", "answer"),
    [
        (False, 15.0, 0.0, GOOD),
        (False, -12.0, 0.0, GOOD),
        (True, 15.0, 0.0, BAD),
        (True, -15.0, 0.0, BAD),
        (True, 5.5, 0.0, NOT_SHOWN),  # swapped, 3.3 K outside: sensors may lie so far apart
        (False, 15.0, 0.8, GOOD),
        (False, 15.0, 1.2, NOT_SHOWN),
        (False, 15.0, 3.8, NOT_SHOWN),
        (False, 15.0, 4.6, BAD),
        (False, 4.5, 0.0, NOT_SHOWN),
        (False, 5.5, 0.0, GOOD),
    ],
)
def test_the_outlet_lies_between_inlet_and_modules(
    swapped: bool, apart_k: float, beyond_k: float, answer: str
) -> None:
    result = loop(swapped, apart_k, beyond_k)
    assert result["outlet temperature"].answer == answer
    assert result.codes == (["outlet-implausible"] if answer == BAD else [])
    if answer == GOOD:  # more than half of the time the outlet was made so much above the inlet
        (told,) = result["outlet temperature"].figures
        assert told.value == pytest.approx(beyond_k, abs=0.2)


def test_an_inlet_that_is_shut_off_at_once_comes_out_late() -> None:
    time = np.arange(0.0, 900.0, 1.0)
    inlet = Trace(time, np.where((time // 150) % 2 == 0, 45.0, 21.0), 0.1)
    late = replace(inlet, time_s=inlet.time_s + 90.0, value=inlet.value - 4.0)
    sensors = [Trace(time, np.full(len(time), 20.0), 0.5)] * 2
    result = sense({"inlet_temperature": inlet, "outlet_temperature": late}, sensors=sensors)
    assert result.codes == []


def test_a_sensor_that_is_not_believed_makes_no_outlet_plausible() -> None:
    time = np.arange(0.0, 900.0, 1.0)
    inlet, hot = Trace(time, np.full(900, 35.0), 0.1), Trace(time, np.full(900, 45.0), 0.1)
    modules = [Trace(time, np.full(900, 20.0), 0.5)] * 2
    pair = {"inlet_temperature": inlet, "outlet_temperature": hot}
    stuck = [*modules, Trace(time, np.full(900, 48.0), 0.5)]
    assert sense(pair, sensors=stuck).codes == []  # believed, it would explain the outlet
    assert sense(pair, sensors=stuck, faulty=[("sensor", 2)]).codes == ["outlet-implausible"]
    none = sense(pair, sensors=stuck, faulty=[("sensor", i) for i in range(3)])
    assert none["outlet temperature"].answer is NOT_SHOWN
    assert none["outlet temperature"].text == "no module temperature is believed"
