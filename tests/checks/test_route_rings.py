"""Messages that gateways send round: the loads and response times of such a plan do not hold."""

from pathlib import Path

import pytest
from support.command import busplan

from busplan.checks import run_checks
from busplan.checks.load_report import load_report
from busplan.checks.timing_report import timing_report
from busplan.findings import Weight
from busplan.plan.reader import load_plan

RING = """
[network.front]
bit_rate = 500_000
[network.rear]
bit_rate = 500_000
[network.apart]
bit_rate = 500_000
[part.horn]
message = [{ name = "Horn", identifier = 0x101, bytes = 8, cycle_ms = 100 }]
[part.lamp]
message = [{ name = "Lamp", identifier = 0x201, bytes = 8, cycle_ms = 100 }]
[part.gate]
port.a.message = []
port.b.message = []
[node.horn]
part = "horn"
on = ["front"]
[node.lamp]
part = "lamp"
on = ["apart"]
[node.g]
part = "gate"
on = { a = "front", b = "rear" }
[node.h]
part = "gate"
on = { a = "front", b = "rear" }
[[route]]
message = "Horn"
from = "front"
to = "rear"
through = "g"
delay_ms = 1
[[route]]
message = "Horn"
from = "rear"
to = "front"
through = "h"
delay_ms = 1
"""


@pytest.fixture
def plan(tmp_path: Path) -> Path:
    path = tmp_path / "ring.toml"
    path.write_text(RING, "utf-8")
    return path


def test_check_load_timing_and_simulate_tell_it_in_the_same_words(plan: Path) -> None:
    vehicle = load_plan(plan)
    (told,) = run_checks(vehicle, ["route-loop"])
    assert told.weight is Weight.FAULT
    for report in (load_report(vehicle), load_report(vehicle, ["rear"])):
        assert report.findings == (told,)
    assert told in timing_report(vehicle, ["rear"]).findings
    for apart in (load_report(vehicle, ["apart"]), timing_report(vehicle, ["apart"])):
        assert told not in apart.findings
    for command, code in (("load", 1), ("timing", 2), ("simulate", 2)):
        more = ["--seconds", "0.1"] if command == "simulate" else []
        run = busplan(command, plan, *more)
        assert run.code == code
        assert told.summary in " ".join(run.out.split())


def test_what_has_no_bound_is_not_blamed_on_the_bit_rate(plan: Path) -> None:
    missed = run_checks(load_plan(plan), ["deadline-missed"])
    assert {f.where.network for f in missed} == {"front", "rear"}
    for finding in missed:
        assert "nothing bounds how many of them come at once" in finding.why
        assert "routes that lead round" in finding.action
        assert "bit rate" not in finding.action


def test_a_full_network_is_to_be_mended_before_what_it_brings(tmp_path: Path) -> None:
    plan = tmp_path / "full.toml"
    text = RING.partition("[[route]]\nmessage")[0].replace("500_000", "5_000", 1)
    back = RING.split("[[route]]")[1]
    plan.write_text(f"{text.replace('= 100', '= 10')}[[route]]{back}", "utf-8")
    full, brought = run_checks(load_plan(plan), ["deadline-missed"])
    assert (full.where.network, brought.where.network) == ("front", "rear")
    assert "fill the network" in full.why
    assert "Send less on front" in full.action
    assert brought.why.startswith("Gateways bring Horn of g")
    assert "Mend front first" in brought.action


@pytest.mark.parametrize("slowed", ["cycle_ms = 50", "on_change = true\nmin_distance_ms = 50"])
def test_a_clock_in_the_ring_keeps_the_networks_from_filling(plan: Path, slowed: str) -> None:
    """A gateway that sends so often, whatever comes, makes no more frames than that."""
    plan.write_text(f"{RING}{slowed}\n", "utf-8")
    vehicle = load_plan(plan)
    (told,) = run_checks(vehicle, ["route-loop"])
    assert told.weight is Weight.CAUTION
    assert "feeds itself" in told.why
    assert load_report(vehicle).findings == ()
    assert told not in timing_report(vehicle).findings
    assert not list(run_checks(vehicle, ["deadline-missed"]))


def test_no_placement_is_looked_for_and_no_way_is_followed_round(plan: Path) -> None:
    run = busplan("allot", plan)
    assert run.code == 3
    assert "Horn goes round: front to rear through g" in run.err
    assert "Break that ring first: take one of these routes out" in run.err
    plan.write_text(f"{RING}cycle_ms = 50\n", "utf-8")
    assert busplan("allot", plan, "--seconds", "1").code in (0, 1, 2)
