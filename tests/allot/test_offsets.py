"""Proposed send offsets: each slot against trying all, and the plan that takes them."""

import json
from dataclasses import replace
from math import lcm
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st
from support.allot_plans import shuffled_plan
from support.command import busplan
from support.vehicles import MS, stream, vehicle

from busplan.allot.offsets import propose_offsets
from busplan.plan.reader import load_plan
from busplan.plan.vehicle import Vehicle
from busplan.timing.gateways import vehicle_timing

NODES = [f"n0_{i}" for i in range(4)]


def nearest(offset: int, period: int, others: list[tuple[int, int]]) -> int:
    """The least distance [ms] of a release to one of the others, by looking at all of them."""
    span = lcm(period, *(p for _, p in others))
    own = range(offset, offset + span, period)
    theirs = [r for o, p in others for r in range(o - span, o + 3 * span, p)]
    return min(abs(a - b) for a in own for b in theirs)


@given(periods=st.lists(st.sampled_from([4, 6, 8, 12]), min_size=2, max_size=4))
@settings(max_examples=40)
def test_each_message_takes_the_slot_farthest_from_those_before(periods: list[int]) -> None:
    van = vehicle([stream(i, cycle_ms=p, length=8) for i, p in enumerate(periods)])
    found = {c.stream.label: c.becomes_ns // MS for c in propose_offsets(van, ["n"]).changes}
    placed: list[tuple[int, int]] = []
    for s in sorted(van.streams, key=lambda s: s.cycle.ns):
        own, period = found[s.label], s.cycle.ns // MS
        if placed:
            most = max(nearest(slot, period, placed) for slot in range(period))
            assert nearest(own, period, placed) == most
        placed.append((own, period))


def test_what_can_have_none_is_told_with_its_reason() -> None:
    streams = [
        stream(1),
        stream(2, event=True),
        stream(3, cycle_ms=None),
        stream(4, via="r"),
        stream(5, node="q"),
    ]
    found = propose_offsets(vehicle(streams, fifo=["q"]), ["n", "q"])
    assert [c.stream.message.name for c in found.changes] == ["M1"]
    assert [s.message.name for s, _ in found.left_out] == ["M2", "M3", "M4", "M5"]
    assert len({reason for _, reason in found.left_out}) == 4
    assert not propose_offsets(vehicle(streams), ["n"], networks=["b"]).changes


def late(van: Vehicle) -> int:
    return sum(len(n.missed) for n in vehicle_timing(van).networks.values())


def test_the_plan_with_the_offsets_is_what_the_answer_says(tmp_path: Path) -> None:
    plan = tmp_path / "sorter.toml"
    plan.write_text(shuffled_plan(nodes=4, seed=4), "utf-8")
    before = load_plan(plan)
    args = [word for node in NODES for word in ("--offsets", node)]
    shown = json.loads(busplan("allot", plan, *args, "--json").out)
    (told,) = shown["offsets"]["networks"]
    assert told["late_before"] == late(before) > 0
    assert told["longest_after_ms"] < told["longest_before_ms"]
    alone = json.loads(busplan("allot", plan, "--only", "identifiers", "--json").out)
    assert shown["changes"] < alone["changes"], "in step, fewer identifiers have to change"
    written = tmp_path / "written.toml"
    assert busplan("allot", plan, *args, "--out", written).code == 0
    after = load_plan(written)
    assert late(after) == 0
    chosen = {c["message"]: c["becomes_ns"] for c in shown["offsets"]["changes"]}
    assert {s.label: s.offset_ns for s in after.streams} == chosen
    # As tables to paste, the same; a second time nothing is left to do.
    tables = busplan("allot", plan, *args, "--toml").out.split("[message.")[0]
    plan.write_text(plan.read_text("utf-8") + tables, "utf-8")
    pasted = load_plan(plan)
    assert {s.label: s.offset_ns for s in pasted.streams} == chosen
    again = " ".join(busplan("allot", written, *args).out.split())
    assert "No offset of" in again
    # On event one message leaves the rhythm, and its bound is no better than before.
    loose = replace(after, streams=tuple(replace(s, event=True) for s in after.streams))
    assert late(loose) > 0
    simulated = busplan("simulate", written, "--seconds", "3", "--json")
    assert simulated.code <= 1, "no bound was beaten and no deadline passed"


GATED = """
[network.main]
bit_rate = 500_000
[part.one]
[[part.one.message]]
name = "Alone"
identifier = 0x101
bytes = 8
cycle_ms = 100
[part.three]
message = [
  {name = "A", identifier = 0x201, bytes = 8, cycle_ms = 100},
  {name = "B", identifier = 0x202, bytes = 8, cycle_ms = 100},
  {name = "C", identifier = 0x203, bytes = 8, cycle_ms = 50},
]
[node.one]
part = "one"
on = ["main"]
[node.three]
part = "three"
on = ["main"]
"""


def test_offsets_that_gain_nothing_are_not_proposed(tmp_path: Path) -> None:
    """A message alone cannot wait for others of its node; three that are sent at once do."""
    plan = tmp_path / "gated.toml"
    plan.write_text(GATED, "utf-8")
    told = json.loads(busplan("allot", plan, "--offsets", "one", "--json").out)["offsets"]
    assert (told["changes"], told["gain_nothing"]) == ([], [{"network": "main", "node": "one"}])
    alone = " ".join(busplan("allot", plan, "--offsets", "one").out.split())
    assert "main: the offsets of one stay as they are; those that were tried would shorten" in alone
    assert "the plan as it is: no faults" in alone
    assert "The changed plan" not in alone
    assert "so changed" not in alone
    out = tmp_path / "new.toml"
    assert busplan("allot", plan, "--offsets", "one", "--out", out).code == 3
    assert not out.exists()
    both = json.loads(
        busplan("allot", plan, "--offsets", "one", "--offsets", "three", "--json").out
    )["offsets"]
    assert {c["message"] for c in both["changes"]} == {f"main/three/{m}" for m in "ABC"}
    assert both["gain_nothing"] == [{"network": "main", "node": "one"}]
    shown = busplan("allot", plan, "--offsets", "three").out
    assert "the plan so changed: no faults" in shown


def test_offsets_that_are_as_good_as_others_stay(tmp_path: Path) -> None:
    plan = tmp_path / "gated.toml"
    plan.write_text(GATED + "offsets = { A = 7, B = 19, C = 31 }\n", "utf-8")
    offsets = json.loads(busplan("allot", plan, "--offsets", "three", "--json").out)["offsets"]
    assert offsets["changes"] == []
    plan.write_text(GATED + "offsets = { A = 7, B = 7, C = 7 }\n", "utf-8")
    offsets = json.loads(busplan("allot", plan, "--offsets", "three", "--json").out)["offsets"]
    assert len(offsets["changes"]) >= 2


def test_an_unknown_node_is_one_error(tmp_path: Path) -> None:
    plan = tmp_path / "sorter.toml"
    plan.write_text(shuffled_plan(nodes=2, messages=2), "utf-8")
    told = busplan("allot", plan, "--offsets", "n0_9")
    assert (told.code, told.out) == (3, "")
    assert 'no node "n0_9"' in told.err
