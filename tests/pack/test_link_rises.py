"""A link that rises while its circuit is open (the RC circuit of tests/truth/electrical.py)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from support.sense import sense
from truth.electrical import COMMAND, CONTACTOR, Bus, Wiring, key_on, steps


@pytest.mark.parametrize(("before", "welded"), [(0.3, True), (0.7, False)])
def test_a_link_that_rises_by_more_than_half_hangs_on_the_pack(before: float, welded: bool) -> None:
    """Minus closes alone for three seconds; the link has kept a charge from before and rises.

    What rises by less than half of the pack may be what was left and a sensor's own doing.
    """
    made = key_on(6, Wiring(), singles=True)
    pre, volts = made.pre_s, made.pack_v
    early = steps((-1, 0), (pre - 3.0, 1), (made.open_s, 0))
    rng, traces = np.random.default_rng(2), dict(made.traces)
    traces["minus_command"] = Bus().carry(early, made.span_s, rng, COMMAND)
    traces["minus_contactor"] = Bus().carry(early, made.span_s, rng, CONTACTOR)
    link = traces["link_voltage"]
    time = link.time_s
    alone = (time > pre - 3.0) & (time < made.open_s)
    value = np.where(alone, volts, np.where(time <= pre - 3.0, before * volts, link.value))
    codes = sense(traces | {"link_voltage": replace(link, value=value)}).codes
    assert ("contactor-welded" in codes) is welded
