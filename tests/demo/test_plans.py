"""The plan as bought shows each of its flaws, the plan as built shows none."""

from __future__ import annotations

from functools import cache

from busplan.checks import run_checks
from busplan.demo.captures import demo_vehicle
from busplan.findings import Finding, Weight

checked = cache(lambda plan: run_checks(demo_vehicle(plan)))


def told(code: str) -> list[Finding]:
    return [f for f in checked("as_bought") if f.code == code]


def test_as_built_has_nothing_above_a_note() -> None:
    assert [f for f in checked("as_built") if f.weight > Weight.NOTE] == []


def test_flaw_1_two_makers_claim_one_identifier() -> None:
    (finding,) = told("identifier-clash")
    assert "inverter" in finding.summary
    assert "steering_pump" in finding.summary
    assert "0x040" in finding.summary


def test_flaw_2_two_identical_pumps() -> None:
    (finding,) = told("identical-parts-clash")
    assert "pump_1 and pump_2" in finding.summary


def test_flaw_3_one_source_address_twice() -> None:
    (finding,) = told("source-address-clash")
    assert "charger and dcdc" in finding.summary
    assert "0xE5" in finding.summary


def test_flaw_4_merged_network_is_overloaded_and_late() -> None:
    (overload,) = told("load-over-limit")
    assert overload.where.network == "body"
    late = {f.where.message for f in told("deadline-missed")}
    assert "DoorSafety" in late
    assert {f.where.network for f in told("deadline-missed")} == {"body"}


def test_flaw_5_the_lift_speaks_another_bit_rate() -> None:
    (finding,) = told("bit-rate")
    assert (finding.where.network, finding.where.node) == ("drive", "lift")


def test_flaw_6_nobody_forwards_the_pack_temperatures() -> None:
    (finding,) = told("route-missing")
    assert finding.where.node == "display"
    assert "PackTemperatures" in finding.summary


def test_flaw_7_three_terminators_a_long_stub_and_a_long_trunk() -> None:
    (terminators,) = told("terminators-wrong")
    assert (terminators.where.network, terminators.where.node) == ("drive", "inverter")
    (stub,) = told("stub-too-long")
    assert (stub.where.network, stub.where.node) == ("pack", "monitor_d")
    (trunk,) = told("trunk-too-long")
    assert trunk.where.network == "telemetry"
    assert "data phase" in trunk.summary


def test_as_bought_has_no_other_flaw() -> None:
    codes = {f.code for f in checked("as_bought") if f.weight > Weight.NOTE}
    assert codes == {
        "identifier-clash",
        "identical-parts-clash",
        "source-address-clash",
        "load-over-limit",
        "deadline-missed",
        "bit-rate",
        "route-missing",
        "terminators-wrong",
        "stub-too-long",
        "trunk-too-long",
    }


def test_flaw_8_shows_on_the_bench() -> None:
    from busplan.bench.prove import prove_node
    from busplan.demo.captures import bench_charger

    report = prove_node(bench_charger(), demo_vehicle("as_bought"), "charger")
    (short,) = [f for f in report.findings if f.code == "payload-short"]
    assert short.where.message == "ChargerTemperatures"
    heavy = {f.code for f in report.findings if f.weight > Weight.NOTE}
    assert heavy == {"payload-short", "cycle-time-off", "counter-skips", "message-undefined"}
    clean = prove_node(bench_charger(healthy=True), demo_vehicle(), "charger")
    assert not [f for f in clean.findings if f.weight > Weight.NOTE]
