"""A load at its limit, in every place that holds one against the other: equal is not over.

The exact figures stand on the published longest frame: 135 bits for 8 bytes and an 11-bit
identifier (Davis et al. 2007), 270 µs at 500 kbit/s.
"""

import ast
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from support.frames import frames
from support.vehicles import stream, vehicle

import busplan
from busplan.board.resolve import limits_of_plan
from busplan.checks import run_checks
from busplan.checks.planned_load import network_load
from busplan.findings import Weight
from busplan.plan.vehicle import Network, Vehicle
from busplan.replay.replay import Replay
from busplan.text.draw import load_grid
from busplan.text.load_bar import load_bar
from busplan.text.networks_draw import draw_networks
from busplan.text.plot import draw_load
from busplan.timing.slack import lowest_bit_rate
from busplan.traffic.measured_load import MeasuredLoad, Rates, load_findings
from busplan.wire.load_limit import ROUNDING, Standing, headroom, over_limit, standing

S = 1_000_000_000
LIMITS = pytest.mark.parametrize(
    ("shift", "over"), [(0.0, False), (-ROUNDING / 2, False), (1e-6, False), (-1e-6, True)]
)
"""How far the limit is moved away from the load, and whether the load is then over it."""


@LIMITS
def test_the_rule_itself(shift: float, over: bool) -> None:
    limit = 0.3 + shift
    assert over_limit(0.3, limit) is over
    assert over_limit(np.array([0.3, 0.0, 1.0]), limit).tolist() == [over, False, True]
    assert (headroom(0.3, limit) < 0) is over
    assert standing(0.3, limit) is (Standing.OVER if over else Standing.NEAR)
    assert standing(0.8 * limit, limit) is Standing.BELOW
    assert standing(0.8 * limit + 1e-6, limit) is Standing.NEAR
    assert headroom(0.3, 0.3) == headroom(0.1 + 0.1 + 0.1, 0.3) == 0


def planned(limit: float) -> Vehicle:
    """Three messages of 270 µs every 2.7 ms: three tenths, whose sum in floats is above 0.3."""
    network = Network("a", 500_000, load_limit=limit)
    return vehicle([stream(i, cycle_ms=2.7) for i in (1, 2, 3)], [network])


@LIMITS
def test_a_planned_load_and_the_bit_rate_that_would_do(shift: float, over: bool) -> None:
    v = planned(0.3 + shift)
    assert network_load(v, "a").worst > 0.3
    assert network_load(v, "a").worst == pytest.approx(0.3)
    assert bool(run_checks(v, ["load-over-limit"])) is over
    assert (network_load(v, "a").headroom < 0) is over
    assert lowest_bit_rate(v, "a")[0] == (800_000 if over else 500_000)


def test_a_network_that_is_just_full_is_no_fault() -> None:
    full = vehicle([stream(i, cycle_ms=2.7) for i in range(10)], [Network("a", 500_000)])
    assert [f.weight for f in run_checks(full, ["load-over-limit"])] == [Weight.CAUTION]
    more = vehicle([stream(i, cycle_ms=2.7) for i in range(11)], [Network("a", 500_000)])
    assert [f.weight for f in run_checks(more, ["load-over-limit"])] == [Weight.FAULT]


@LIMITS
def test_a_measured_load_its_windows_and_its_mean(shift: float, over: bool) -> None:
    busy = np.array([300_000_000, 100_000_000])
    none = np.zeros(2, np.int64)
    two = MeasuredLoad(
        network="a",
        rates=Rates(500_000),
        start_ns=0,
        window_ns=S,
        width_ns=np.array([S, S]),
        nominal_ns=busy,
        exact_ns=busy,
        worst_ns=busy,
        frames=none,
        remote_frames=none,
        error_frames=none,
        share_ns={},
        first_ns=0,
        last_ns=2 * S - 1,
    )
    assert [f.weight for f in load_findings(two, 0.3 + shift, 0)] == [Weight.CAUTION] * over
    mean = load_findings(two, 0.2 + shift, 0)  # 0.3 and 0.1: the first window is over anyhow
    assert [f.weight for f in mean] == [Weight.FAULT if over else Weight.CAUTION]


@LIMITS
def test_what_screens_and_texts_show_at_a_moment(shift: float, over: bool) -> None:
    table = frames([bytes(8)] * 3000, network="a")
    seen = Replay.of(vehicle([stream(1)]), table)
    load = seen.snapshot(2 * S).loads[0].now
    assert 0.2 < load < 0.3
    v = replace(seen.vehicle, networks={"a": Network("a", 500_000, load_limit=load + shift)})
    replay = Replay.of(v, table)
    moment = replay.snapshot(2 * S)
    assert any(t.word == "NETWORK FULL" for t in moment.troubles) is over
    (limit,) = (x for x in limits_of_plan(replace(v, source="a.toml")) if "load" in x.subject)
    assert limit.passed_by(100 * load) is over
    for lines in (load_grid(moment, v, 60, 1), draw_networks(replay, moment, 80, 8)):
        pieces = [piece for line in lines for piece in line]
        assert any(text.endswith("%!") for text, _ in pieces) is over
        assert ("over" in {role for _, role in pieces}) is over


@LIMITS
def test_bars_and_curves(shift: float, over: bool) -> None:
    roles = {role for text, role in load_bar(0.3, 0.3 + shift, 40) if "█" in text}
    assert roles == {"over" if over else "near"}
    (line,) = draw_load(np.full(4, 0.3), 0.3 + shift)
    assert ("!" in "".join(text for text, _ in line)) is over
    tall = {role for row in draw_load(np.full(4, 0.3), 0.3 + shift, 4) for _, role in row}
    assert ("over" in tall) is over
    assert ("near" in tall) is not over


def test_nothing_else_compares_a_load_with_its_limit() -> None:
    source = Path(busplan.__file__).parent
    own = []
    for path in source.rglob("*.py"):
        text = path.read_text("utf-8")
        if "limit" not in text or path == source / "wire" / "load_limit.py":
            continue
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.Compare) and not isinstance(node.ops[0], ast.Is | ast.IsNot):
                names = {getattr(n, "attr", getattr(n, "id", "")) for n in ast.walk(node)}
                loads = {"load", "now", "worst", "nominal", "mean", "exact", "peak"}
                if "load_limit" in names or ("limit" in names and names & loads):
                    own.append(f"{path.relative_to(source)}:{node.lineno}")
    assert own == []
