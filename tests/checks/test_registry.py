"""The registry, and the findings of the invented demo van."""

from pathlib import Path

import pytest

from busplan.checks import require_codes, run_checks
from busplan.errors import UsageError
from busplan.findings import Weight
from busplan.plan.reader import load_plan
from busplan.plan.vehicle import Vehicle

EXAMPLES = Path(__file__).parents[2] / "dbc_examples"


@pytest.fixture(scope="module")
def bought() -> Vehicle:
    return load_plan(EXAMPLES / "as_bought.toml")


def test_as_built_has_nothing_above_a_note() -> None:
    found = run_checks(load_plan(EXAMPLES / "as_built.toml"))
    assert [f for f in found if f.weight > Weight.NOTE] == []


@pytest.mark.parametrize(
    ("code", "network", "words"),
    # The flaws planted in the scenario that planning checks can see, one finding each.
    [
        ("identifier-clash", "drive", ["inverter", "steering_pump"]),
        ("identical-parts-clash", "body", ["pump_1", "pump_2"]),
        ("source-address-clash", "charge", ["charger", "dcdc"]),
        ("load-over-limit", "body", ["125 kbit/s"]),
        ("bit-rate", "drive", ["lift", "250 kbit/s"]),
        ("route-missing", "body", ["display", "PackTemperatureMax"]),
    ],
)
def test_each_planted_flaw_has_its_own_finding(
    bought: Vehicle, code: str, network: str, words: list[str]
) -> None:
    (finding,) = run_checks(bought, only=[code])
    assert finding.where.network == network
    assert finding.weight > Weight.NOTE
    for word in words:
        assert word in finding.summary


def test_every_finding_has_figures_or_a_reason_and_a_remedy(bought: Vehicle) -> None:
    for finding in run_checks(bought):
        assert finding.why
        assert finding.action


def test_an_unknown_code_is_refused_with_what_is_near() -> None:
    with pytest.raises(UsageError, match='"bit-rate"'):
        require_codes(["bit-rate", "bitrate"])
