"""What the checks say of a plan with its definition files."""

from pathlib import Path

from busplan.checks import run_checks
from busplan.findings import Finding, Weight
from busplan.plan.reader import load_plan
from support.plans import PLAN, PUMP, VCU, write_plan


def findings(folder: Path, plan: str = PLAN, **definitions: str) -> list[Finding]:
    path = write_plan(folder, plan, **({"pump": PUMP, "vcu": VCU} | definitions))
    # That these plans say nothing of cable and delays, and have a network that nobody uses yet, is
    # noted in each; it is judged elsewhere.
    silent = ("cable-not-stated", "stub-not-stated", "delay-not-stated", "network-without-messages")
    found = [f for f in run_checks(load_plan(path)) if f.code not in silent]
    return [f for f in found if f.weight > Weight.NOTE or definitions]


def only(found: list[Finding], code: str) -> Finding:
    assert [f.code for f in found] == [code]
    assert found[0].why
    assert found[0].action
    return found[0]
