"""Names longer than a column: what the planning commands print still fits 80 columns.

An invented plan: two gateways in a row, 125 kbit/s, 29-bit identifiers, CAN FD.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from support.command import busplan

EXAMPLES = Path(__file__).parents[2] / "dbc_examples"
FRONT = "front_left_body_and_heating_compartment"
WHOLE = "telemetry_of_the_whole_vehicle_recording"
REAR = "rear_right_body_and_lighting_compartment"
PLAN = f"""
[vehicle]
name = "Möwe, the second van of the workshop in the yard behind the old harbour"
invented = true
[network.{FRONT}]
bit_rate = 125_000
[network.{REAR}]
bit_rate = 250_000
[network.{WHOLE}]
bit_rate = 500_000
data_bit_rate = 2_000_000
[part.heater]
[[part.heater.message]]
name = "HeatingCircuitFrontLeftTemperatureStatus"
identifier = 0x120
bytes = 8
cycle_ms = 10
[[part.heater.message]]
name = "HeatingCircuitFrontRightTemperatureStatus"
identifier = 0x121
bytes = 8
cycle_ms = 10
[part.lights]
[[part.lights.message]]
name = "LightStatus"
identifier = 0x18FEF121
extended = true
bytes = 8
cycle_ms = 100
[part.gateway.port.a]
message = []
[part.gateway.port.b]
message = []
[node.heater_in_the_front_left_compartment]
part = "heater"
on = ["{FRONT}"]
[node.lights_in_the_rear_right_compartment]
part = "lights"
on = ["{REAR}"]
[node.gateway_one_in_the_middle]
part = "gateway"
on = {{ a = "{FRONT}", b = "{WHOLE}" }}
[node.gateway_two_in_the_rear]
part = "gateway"
on = {{ a = "{WHOLE}", b = "{REAR}" }}
[[route]]
message = "HeatingCircuitFrontLeftTemperatureStatus"
from = "{FRONT}"
to = "{WHOLE}"
through = "gateway_one_in_the_middle"
delay_ms = 5
[[route]]
message = "HeatingCircuitFrontLeftTemperatureStatus"
from = "{WHOLE}"
to = "{REAR}"
through = "gateway_two_in_the_rear"
delay_ms = 5
"""
EACH = f"--network {FRONT} --network {REAR} --network {WHOLE}"
"""What is told of all networks together, and of each."""


@pytest.mark.parametrize(
    "call",
    [
        "check PLAN",
        f"load PLAN {EACH}",
        f"timing PLAN --faults 20 {EACH}",
        "cable PLAN",
        f"whatif PLAN --bit-rate {FRONT}=250000",
        "compare PLAN OTHER",
        "allot PLAN",
        "allot PLAN --offsets heater_in_the_front_left_compartment",
        "simulate PLAN --seconds 1",
        "sheets PLAN --to SHEETS",
    ],
)
def test_what_is_printed_fits_eighty_columns(
    call: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    monkeypatch.chdir(tmp_path)
    (tmp_path / "plan.toml").write_text(PLAN, encoding="utf-8")
    given = {"PLAN": "plan.toml", "OTHER": str(EXAMPLES / "as_built.toml"), "SHEETS": "sheets"}
    run = busplan(*(given.get(word, word) for word in call.split()))
    assert run.code in (0, 1, 2), run.err
    wide = [line for line in (run.out + run.err).splitlines() if len(line) > 80]
    # A single word, such as the place of a finding, is never torn.
    assert [line for line in wide if len(line.split()) > 2] == []
