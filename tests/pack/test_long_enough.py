"""Whether a recording is long enough: frames that come every so often do not end with it.

A recorder that listens for ten minutes hears its last frame up to one cycle before the end:
arithmetic, no source.
"""

from types import SimpleNamespace

import numpy as np
import pytest
from support.packs import layout, series

from busplan.answers import Answer
from busplan.pack.heard import find_heard, signals_section
from busplan.pack.kinds import PackTest

LAYOUT = layout(3)


def heard(last_s: float, period_s: float):
    """A rest of which the last frame came at a time, of cells and temperatures alike."""
    time = np.arange(round(last_s / period_s) + 1) * period_s
    made = series(
        cell_time=time,
        voltages=np.full((len(time), 24), 3.7),
        sensor_time=time,
        temperatures=np.full((len(time), 6), 20.0),
    )
    plan = SimpleNamespace(quantities={}, cells=LAYOUT.cells, sensors=LAYOUT.sensors)
    return find_heard(made, plan, PackTest.REST)


@pytest.mark.parametrize(
    ("last_s", "period_s", "enough"),
    [
        (600.0, 0.1, True),
        (599.9, 0.1, True),
        (599.7, 0.1, False),
        (599.0, 1.0, True),
        (598.0, 1.0, False),
        (594.0, 6.0, True),
        (570.0, 30.0, False),
    ],
)
def test_one_cycle_at_the_ends_is_allowed_for(last_s: float, period_s: float, enough: bool) -> None:
    found = heard(last_s, period_s)
    assert (found.missing == []) is enough
    section = signals_section(found, LAYOUT, [], [])
    assert (section.answer is Answer.GOOD) is enough
    said = "from first to last frame, with one cycle of" in section.text
    assert said is (enough and last_s < 600.0)
