"""Findings about cable and bit timing."""

from dataclasses import replace
from pathlib import Path

import pytest
from support.vehicles import stream, vehicle

from busplan.checks import run_checks
from busplan.finding_codes.checks import CABLING
from busplan.findings import Weight
from busplan.plan.cable import Cable
from busplan.plan.reader import load_plan
from busplan.plan.vehicle import Network, Port

CODES = [entry.code for entry in CABLING if entry.code != "stub-not-stated"]
EXAMPLES = Path(__file__).parents[2] / "dbc_examples"
GOOD = Cable(5.0, {"n": 0.3}, (120, 120))


def found(network, nodes=("n", "m"), **part):
    v = vehicle([stream(i, node=n) for i, n in enumerate(nodes)], [network])
    if part:
        changed = {n: replace(node, part=replace(node.part, **part)) for n, node in v.nodes.items()}
        v = replace(v, nodes=changed)
    return list(run_checks(v, CODES))


def codes(network, **more):
    return [f.code for f in found(network, **more)]


def test_a_good_cable_has_no_findings() -> None:
    assert found(Network("a", 500_000, cable=GOOD), clock_hz=40_000_000) == []


@pytest.mark.parametrize(
    ("rate", "trunk", "expected"),
    [
        (500_000, 100, []),
        (500_000, 101, ["trunk-too-long"]),
        (1_000_000, 25, ["round-trip-too-long"]),
        (1_000_000, 24, []),
        (1_000_000, 26, ["round-trip-too-long", "trunk-too-long"]),
    ],
)
def test_trunk_and_round_trip(rate: int, trunk: float, expected: list[str]) -> None:
    # 25 m at 1 Mbit/s by the table, 24 m by the propagation formula with 255 ns transceivers.
    assert codes(Network("a", rate, cable=Cable(trunk, {}, (120, 120)))) == expected


@pytest.mark.parametrize(("stub", "expected"), [(1.0, []), (1.01, ["round-trip-too-long"])])
def test_both_ends_of_the_way_have_their_stubs(stub: float, expected: list[str]) -> None:
    # 22 m and two stubs of 1 m are the 24 m of the propagation formula at 1 Mbit/s, just in time.
    cable = Cable(22.0, {"n": stub, "m": stub, "k": 0.2}, (120, 120))
    assert codes(Network("a", 1_000_000, cable=cable)) == expected


def test_j1939_limits() -> None:
    cable = Cable(41.0, {"n": 1.2}, (120, 120))
    network = Network("a", 250_000, j1939=True, cable=cable)
    assert codes(network) == ["stub-too-long", "trunk-too-long"]
    assert codes(replace(network, j1939=False)) == []
    many = tuple(f"n{i}" for i in range(31))
    assert codes(replace(network, cable=GOOD), nodes=many) == ["too-many-nodes"]


@pytest.mark.parametrize(
    ("ohms", "weight"),
    [
        ((120, 120), None),
        ((120,), Weight.CAUTION),
        ((), Weight.FAULT),
        ((120, 120, 120), Weight.CAUTION),
        ((120, 120, 120, 120), Weight.FAULT),
        ((120, 60), Weight.CAUTION),
        # ISO 11898 as quoted in a board manual: 100 to 130 Ω each.
        ((100, 130), None),
        ((99, 120), Weight.CAUTION),
        ((120, 131), Weight.CAUTION),
        # Three in parallel: 35.5 and 34.5 Ω; below 35 Ω is a fault (common practice, no source).
        ((106.5, 106.5, 106.5), Weight.CAUTION),
        ((103.5, 103.5, 103.5), Weight.FAULT),
    ],
)
def test_terminators(ohms: tuple[float, ...], weight: Weight | None) -> None:
    findings = found(Network("a", 500_000, cable=Cable(5.0, {}, ohms)))
    assert [f.weight for f in findings] == ([] if weight is None else [weight])


@pytest.mark.parametrize(
    ("cable", "told"),
    [
        (Cable(5.0, {"n": 0.3}), "does not state the terminators"),
        (Cable(None, {}, (120, 120)), "does not state the trunk"),
        (Cable(wire="2 x 0.5 mm2"), "neither trunk nor terminators"),
    ],
)
def test_half_a_description_is_a_note_as_none_is(cable: Cable, told: str) -> None:
    (finding,) = found(Network("a", 500_000, cable=cable))
    assert (finding.code, finding.weight) == ("cable-not-stated", Weight.NOTE)
    assert told in finding.summary


def test_terminators_that_nobody_states_may_be_there_but_not_vanish() -> None:
    # 120 Ω in one node and none stated on the cable: the other may be there. Three built in are
    # too many, whatever is on the cable: 120 / 3 = 40 Ω.
    names = ("n", "m", "k")
    v = vehicle([stream(i, node=n) for i, n in enumerate(names)], [Network("a", 500_000)])
    v = replace(v, networks={"a": Network("a", 500_000, cable=Cable(5.0))})

    def with_built_in(number: int) -> list[str]:
        nodes = dict(v.nodes)
        for name in names[:number]:
            nodes[name] = replace(nodes[name], on={"a": Port("", (), name, terminator_ohm=120)})
        return [f.code for f in run_checks(replace(v, nodes=nodes), CODES)]

    assert with_built_in(1) == ["cable-not-stated"]
    assert with_built_in(3) == ["terminators-wrong", "cable-not-stated"]


def test_a_terminator_built_into_a_node_counts() -> None:
    v = vehicle([stream(1), stream(2, node="m")], [Network("a", 500_000, cable=GOOD)])
    node = v.nodes["m"]
    inside = replace(node, on={"a": Port("", (), "m", terminator_ohm=120)})
    (finding,) = run_checks(replace(v, nodes={**v.nodes, "m": inside}), CODES)
    assert finding.where.node == "m"
    assert "40 Ω across the pair" in finding.summary
    assert "Put m at an end" in finding.action


def test_stubs_together() -> None:
    cable = Cable(5.0, {f"n{i}": 5.0 for i in range(6)}, (120, 120))
    (finding,) = found(Network("a", 500_000, cable=cable))
    assert "stubs of a are 30 m together; at 500 kbit/s at most 27.5 m" in finding.summary


def test_clocks_that_do_not_fit() -> None:
    network = Network("a", 1_000_000, cable=GOOD)
    assert codes(network, clock_hz=7_000_000) == ["bit-rate-not-reached"] * 2


def test_sample_points_that_differ() -> None:
    v = vehicle([stream(1), stream(2, node="m")], [Network("a", 500_000, cable=GOOD)])
    early = replace(v.nodes["m"], part=replace(v.nodes["m"].part, sample_point=0.75))
    late = replace(v.nodes["n"], part=replace(v.nodes["n"].part, clock_hz=16_000_000))
    (finding,) = run_checks(replace(v, nodes={"n": late, "m": early}), CODES)
    assert finding.code == "sample-points-differ"
    assert "12.5 %" in finding.summary


@pytest.mark.parametrize(("early", "expected"), [(0.825, []), (0.82, ["sample-points-differ"])])
def test_sample_points_may_lie_five_hundredths_apart(early: float, expected: list[str]) -> None:
    # 87.5 % against 82.5 and 82 %; the bound of 5 % is common practice, no source.
    v = vehicle([stream(1), stream(2, node="m")], [Network("a", 500_000, cable=GOOD)])
    points = {"n": 0.875, "m": early}
    nodes = {
        name: replace(node, part=replace(node.part, sample_point=points[name]))
        for name, node in v.nodes.items()
    }
    assert [f.code for f in run_checks(replace(v, nodes=nodes), CODES)] == expected


def test_a_cable_left_out_is_noted() -> None:
    a, b = Network("a", 500_000, cable=GOOD), Network("b", 500_000)
    v = vehicle([stream(1), stream(1, network="b")], [a, b])
    assert [(f.code, f.where.network) for f in run_checks(v, CODES)] == [("cable-not-stated", "b")]
    (none,) = run_checks(vehicle([stream(1, network="b")], [b]), CODES)
    assert (none.code, none.weight) == ("cable-not-stated", Weight.NOTE)
    assert "nothing of any cable" in none.summary


def test_a_node_without_a_stub_is_noted() -> None:
    cable = replace(GOOD, stubs_m={"n": 0.1})
    v = vehicle([stream(1), stream(2, node="m")], [Network("a", 500_000, cable=cable)])
    (found,) = run_checks(v, ["stub-not-stated"])
    assert (found.code, found.weight, found.where.node) == ("stub-not-stated", Weight.NOTE, "m")
    assert "0 m" in found.summary


def test_the_flaws_of_the_example_show_and_the_cure_is_clean() -> None:
    bought = {(f.code, f.where.network) for f in run_checks(load_plan(EXAMPLES / "as_bought.toml"))}
    assert bought >= {
        ("terminators-wrong", "drive"),
        ("stub-too-long", "pack"),
        ("trunk-too-long", "telemetry"),
    }
    built = run_checks(load_plan(EXAMPLES / "as_built.toml"), CODES)
    assert [f for f in built if f.weight > Weight.NOTE] == []


def test_a_terminator_between_the_ends_is_told() -> None:
    order = ("n", "m", "k")
    ends = Cable(5.0, {}, (120, 120), order, terminators_at=("start", "k"))
    assert "terminator-inside-trunk" not in codes(Network("a", 500_000, cable=ends))
    inside = Cable(5.0, {}, (120, 120), order, terminators_at=("start", "m"))
    told = [f for f in found(Network("a", 500_000, cable=inside)) if f.where.node == "m"]
    assert [f.code for f in told] == ["terminator-inside-trunk"]
    assert "number 2 of 3" in told[0].summary
