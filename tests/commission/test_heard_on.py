"""Cycle times and load of a network: proven only when every message of every node came."""

from collections.abc import Callable
from dataclasses import replace
from functools import partial

from support.bench import as_built, table_of

from busplan.commission.cover import Covered, results_of
from busplan.commission.entry import Result
from busplan.plan.vehicle import Stream


def shown(
    test: str,
    network: str,
    keep: Callable[[Stream], bool] = lambda _: True,
    seconds: float = 6.0,
) -> Result:
    """What a capture shows in which every cyclic message that is kept comes on time."""
    vehicle = as_built()
    rows = [
        (k * s.cycle.ns + shift * 10_000, s.message.identifier, bytes(s.message.length))
        for shift, s in enumerate(vehicle.on(network))
        if s.cycle is not None and not s.event and keep(s)
        for k in range(int(seconds * 1e9 // s.cycle.ns))
    ]
    (found,) = results_of(Covered(vehicle, table_of(sorted(rows), network)), [f"{test} {network}"])
    return found


cycles = partial(shown, "cycles")
loads = partial(shown, "loads", seconds=12.0)


def test_a_network_all_of_whose_messages_come_is_proven() -> None:
    assert cycles("pack").answer == "proven"


def test_a_node_that_is_silent_is_not_proven_by_others_of_its_kind() -> None:
    """Four monitors send messages of the same names."""
    found = cycles("pack", lambda s: s.node != "monitor_d")
    assert found.answer == "not shown"
    assert "CellVoltages1 of monitor_d" in found.text
    assert "monitor_c" not in found.text


def test_too_few_frames_prove_no_cycle_time() -> None:
    found = cycles("pack", seconds=1.0)
    assert found.answer == "not shown"
    assert "too few frames of" in found.text
    assert "ModuleTemperatures of monitor_a" in found.text


def test_frames_that_the_plan_does_not_know_prove_nothing() -> None:
    vehicle = as_built()
    bare = replace(vehicle, streams=tuple(s for s in vehicle.streams if s.network != "pack"))
    rows = [(k * 10**8, 0x18FF0001, bytes(8)) for k in range(50)]
    (found,) = results_of(Covered(bare, table_of(rows, "pack")), ["cycles pack"])
    assert found.answer == "not shown"
    assert found.text == "0 messages measured; the plan states no cycle time on it"
    rows = [(k * 10**8, 0x18FF0001, bytes(8)) for k in range(150)]
    (found,) = results_of(Covered(bare, table_of(rows, "pack")), ["loads pack"])
    assert found.answer == "not shown"


def test_a_load_without_a_node_is_not_that_of_the_network() -> None:
    assert loads("pack").answer == "proven"
    found = loads("pack", lambda s: s.node != "monitor_d")
    assert found.answer == "not shown"
    assert "not heard: CellVoltages1 of monitor_d" in found.text
    assert "limit 50 %" in found.text
