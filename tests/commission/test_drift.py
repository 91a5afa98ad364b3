"""A later capture against the commissioning: what moved is found, and nothing else.

What matters (2 % of a network's time, 5 % of a period, half of the insulation): common practice,
no source. The demo's planted change is stated in its own scene.
"""

import math

import numpy as np
import pytest

from busplan.answers import Answer
from busplan.commission.cover import Covered, results_of
from busplan.commission.drift import (
    LEAST_CYCLE,
    LEAST_INSULATION,
    LEAST_LOAD,
    BuildDrift,
    Change,
    Kept,
    drift_of,
)
from busplan.commission.entry import Entry, Journal, Result
from busplan.commission.state import commissioning_of
from busplan.demo.captures import demo_vehicle, make_capture
from busplan.errors import UsageError
from busplan.frames.table import FrameTable

LONG_S = 150.0


@pytest.fixture(scope="module")
def found() -> tuple[Result, ...]:
    vehicle = demo_vehicle()
    kinds = ("load", "cycles", "capture")
    names = [t.name for t in vehicle.tests if t.kind in kinds]
    drive = make_capture("drive", healthy=True, duration_s=LONG_S)
    return results_of(Covered(vehicle, drive), names)


@pytest.fixture(scope="module")
def later() -> Covered:
    return Covered(demo_vehicle(), make_capture("second-year", duration_s=LONG_S))


def held(found: tuple[Result, ...], covered: Covered) -> BuildDrift:
    journal = Journal((Entry(1, "now", "A", "capture", found),))
    return drift_of(commissioning_of(covered.vehicle, journal), covered)


def test_one_cell_has_tired_and_nothing_else_moved(
    found: tuple[Result, ...], later: Covered
) -> None:
    drift = held(found, later)
    (finding,) = drift.findings
    assert finding.code == "cell-drift"
    assert finding.summary.startswith("Cell 53 ")
    resistance = next(d for d in drift.pack if d.topic == "resistance at 1 s")
    assert 0.12 in resistance.intervals[52]
    kinds = {c.kind for c in drift.changes}
    assert kinds == {"load", "cycle", "insulation"}
    assert all(c.answer is Answer.GOOD for c in drift.changes)
    assert not [u for u in drift.unlike if "load" in u or "cycles" in u]


def changed(found: tuple[Result, ...], name: str, **values: object) -> tuple[Result, ...]:
    """The entries with some figures of one test as they might have been."""
    return tuple(
        Result(r.test, r.answer, r.text, dict(r.figures or {}) | values) if r.test == name else r
        for r in found
    )


def test_loads_periods_and_insulation_that_moved(found: tuple[Result, ...], later: Covered) -> None:
    figures = {r.test: r.figures or {} for r in found}
    cycles = dict(figures["cycles drive"]["cycles_ms"])
    cycles["pedal PedalPosition"] = [8.0, 0.01]
    old = changed(found, "loads thermal", mean=figures["loads thermal"]["mean"] - 0.05)
    old = changed(old, "cycles drive", cycles_ms=cycles)
    insulation = dict(figures["drive"]["insulation"])
    old = changed(old, "drive", insulation={k: 3 * v for k, v in insulation.items()})
    told = {f.code: f for f in held(old, later).findings}
    assert set(told) == {"cell-drift", "load-drift", "cycle-drift", "insulation-drift"}
    assert told["load-drift"].where.network == "thermal"
    assert "pedal PedalPosition: 8 to 9.99" in told["cycle-drift"].summary


def test_what_cannot_be_compared_is_named(found: tuple[Result, ...], later: Covered) -> None:
    figures = {r.test: r.figures or {} for r in found}
    fewer = list(figures["loads cabin"]["identifiers"])[1:]
    old = changed(found, "loads cabin", identifiers=fewer)
    old = changed(old, "loads charge", uncertainty=None)
    table = later.table
    pack_only = table.take(table.network == table.networks.index("pack"))
    drift = held(old, Covered(later.vehicle, pack_only))
    assert {c.network for c in drift.changes if c.kind == "load"} == {"pack"}
    told = "; ".join(drift.unlike)
    for words in ("load of thermal: not recorded", "load of charge: not kept", "cycles of cabin"):
        assert words in told
    told = "; ".join(held(old, later).unlike)
    assert "load of cabin: other messages came (0x" in told
    with pytest.raises(UsageError, match="nothing to compare"):
        held((), Covered(later.vehicle, FrameTable.empty(("pack",)).take(np.empty(0, np.int64))))


@pytest.mark.parametrize(
    ("kind", "before", "now", "error", "answer"),
    [
        ("load", 0.30, 0.35, 0.003, Answer.BAD),
        ("load", 0.30, 0.35, 0.015, Answer.NOT_SHOWN),
        ("load", 0.30, 0.31, 0.001, Answer.GOOD),
        ("load", 0.30, 0.25, 0.003, Answer.BAD),
        ("cycle", 100.0, 106.0, 0.5, Answer.BAD),
        ("cycle", 100.0, 104.0, 0.1, Answer.GOOD),
        ("insulation", math.log(6000), math.log(2000), 0.08, Answer.BAD),
        ("insulation", math.log(6000), math.log(4000), 0.08, Answer.GOOD),
        ("insulation", math.log(2000), math.log(9000), 0.08, Answer.GOOD),
        ("insulation", math.log(6000), math.log(2500), 0.5, Answer.NOT_SHOWN),
    ],
)
def test_beyond_both_uncertainties_and_by_what_matters(
    kind: str, before: float, now: float, error: float, answer: Answer
) -> None:
    least = {
        "load": LEAST_LOAD,
        "cycle": LEAST_CYCLE * before,
        "insulation": LEAST_INSULATION,
    }[kind]
    one = Change(kind, "n", "x", Kept(before, error), Kept(now, error), least, "")
    assert one.uncertainty == pytest.approx(error * 2**0.5)
    assert one.answer is answer
    assert one.text.startswith("x: ")
