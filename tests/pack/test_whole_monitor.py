"""What a whole monitor, or every one, reads wrongly is one finding and not one a cell."""

import numpy as np
from support.packs import Array, layout, series

from busplan.pack.sensors import find_faulty
from busplan.pack.sensors_told import faulty_findings

TIME = np.arange(0.0, 300.0, 0.1)
LAYOUT = layout(3)


def level(cells: int) -> Array:
    rng = np.random.default_rng(1)
    own = 0.002 * rng.normal(size=cells)
    return np.round(3.7 + own + 0.0005 * rng.normal(size=(len(TIME), cells)), 3)


def test_a_monitor_that_repeats_old_values_is_told_once() -> None:
    many = layout(12, sensors=0)
    values = level(cells=96) - 0.1 * (TIME / 300.0)[:, None]
    values[:, 24:48] = np.round(values[600, 24:48], 3)
    told = faulty_findings(find_faulty(series(cell_time=TIME, voltages=values), many), many)
    assert [(f.code, f.where.node) for f in told] == [("cell-stuck", "monitor_b")]
    assert told[0].summary.startswith("24 of 24 cell voltages of monitor_b are stuck at 3.")
    values[:, 24] = level(cells=96)[:, 0] - 0.1 * (TIME / 300.0)
    told = faulty_findings(find_faulty(series(cell_time=TIME, voltages=values), many), many)
    assert [f.code for f in told] == ["cell-stuck"] * 23, "one of them is measured"


def test_cells_that_read_many_values_that_cannot_be_are_told_once() -> None:
    values = level(cells=24)
    values += np.linspace(10.0, 40.0, 24)
    (told,) = faulty_findings(find_faulty(series(cell_time=TIME, voltages=values), LAYOUT), LAYOUT)
    assert told.code == "cell-impossible"
    assert told.summary.startswith("24 of 24 cell voltages read 1")
    assert "byte order" in told.action
