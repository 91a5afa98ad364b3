"""Ready behaviours: taken up by naming them, by roles of the plan.

Each is a ``[[behaviour]]`` table as a plan would hold it, with ``$name`` where a setting stands and
``@role`` or ``role = …`` where the plan says which signal or state is meant. None has a published
source; every one is common practice, and its settings are to be replaced by the maker's.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from types import MappingProxyType
from typing import Any

PRACTICE = "common practice, no source"

SIGNALS: Mapping[str, str] = MappingProxyType(
    {
        "pack_temperature": "the highest module temperature",
        "torque": "the torque the motor gives",
        "charger_limit": "the charge current that the pack allows",
        "charger_current": "what the charger gives; also of [pack.quantities]",
        "charger_current_request": "what the charger is asked for; also of [pack.quantities]",
        "charger_voltage": "the charger's voltage; also of [pack.quantities]",
        "charger_voltage_request": "the voltage asked of it; also of [pack.quantities]",
        "link_voltage": "the voltage behind the contactors; also of [pack.quantities]",
        "voltage": "the pack's voltage; also of [pack.quantities]",
        "dcdc_output_voltage": "the low-voltage supply; also of [pack.quantities]",
        "torque_command": "the message that asks the inverter for torque",
        "charge_command": "the message that asks the charger to charge",
    }
)
"""Roles that are a signal or a message."""
STATES: Mapping[str, str] = MappingProxyType(
    {
        "main_closed": "the main contactor on the pre-charge side is closed",
        "other_main_closed": "the other main contactor is closed",
        "pre_charging": "the pre-charge contactor is closed",
        "contactors_open": "the pack is off the link",
        "emergency": "the emergency line is open, or a crash is told",
        "drive_selected": "the selector is in a driving position",
        "driving": "the vehicle is ready to drive",
        "brake_pressed": "the driver holds the brake",
        "fan_on": "the radiator fan runs",
        "pump_on": "the pump of the pack's loop runs",
        "ignition_on": "the key is on",
        "charging": "the pack is being charged",
        "charge_asked": "the charger is asked to charge",
        "charging_lead_in": "a charging lead is in the inlet",
    }
)
"""Roles that are a claim."""


@dataclass(frozen=True, slots=True)
class Setting:
    """A number of a ready behaviour that a plan may set."""

    value: float
    meaning: str


@dataclass(frozen=True, slots=True)
class Ready:
    """One ready behaviour: what it is for, its table with placeholders, its settings."""

    name: str
    note: str
    table: Mapping[str, Any]
    settings: Mapping[str, Setting] = field(default_factory=dict)

    @property
    def roles(self) -> tuple[str, ...]:
        """The roles it needs, in order."""
        return tuple(dict.fromkeys(_roles(self.table)))

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "name": self.name,
            "note": self.note,
            "roles": list(self.roles),
            "settings": {
                n: {"value": s.value, "meaning": s.meaning} for n, s in self.settings.items()
            },
            "behaviour": dict(self.table),
        }

    def filled(self, values: Mapping[str, float]) -> dict[str, Any]:
        """Its table with numbers in place of settings; those not given keep their own."""
        numbers = {f"${n}": values.get(n, s.value) for n, s in self.settings.items()}
        filled: dict[str, Any] = _filled(self.table, numbers)
        return filled


def _filled(value: Any, numbers: Mapping[str, float]) -> Any:
    match value:
        case dict():
            return {k: _filled(v, numbers) for k, v in value.items()}
        case list():
            return [_filled(v, numbers) for v in value]
        case str():
            return numbers.get(value, value)
        case _:
            return value


def _roles(value: Any, key: str = "") -> list[str]:
    match value:
        case dict():
            return [r for k, v in value.items() for r in _roles(v, k)]
        case list():
            return [r for v in value for r in _roles(v, key)]
        case str() if value.startswith("@"):
            return [value[1:]]
        case str() if key == "role":
            return [value]
        case _:
            return []


def _role(name: str, **more: Any) -> dict[str, Any]:
    return {"role": name, **more}


_STILL = {"signal": "@torque", "between": ["$least_nm", "$most_nm"]}
_STILL_SETTINGS = {
    "least_nm": Setting(-2.0, "least torque that counts as none [Nm]"),
    "most_nm": Setting(2.0, "most torque that counts as none [Nm]"),
}


def _within(seconds: float, what: str) -> dict[str, Setting]:
    return {"within_s": Setting(seconds, f"time for {what} [s]")}


READY: Mapping[str, Ready] = {
    r.name: r
    for r in (
        Ready(
            "pre-charge-before-main",
            "The link is filled through the pre-charge resistor before the main contactor closes.",
            {
                "becomes": _role("main_closed"),
                "require": _role("pre_charging"),
                "within_s_before": "$within_s",
            },
            _within(10.0, "pre-charge to have been on before the main contactor closes"),
        ),
        Ready(
            "link-full-before-main",
            "Just before the main contactor closes, the link has nearly the pack's voltage.",
            {
                "becomes": _role("main_closed"),
                "never": {
                    "signal": "@link_voltage",
                    "below": "@voltage",
                    "plus": "$plus_v",
                },
                "within_s_before": "$within_s",
            },
            {
                "plus_v": Setting(-20.0, "allowed difference, below 0 [V]"),
                **_within(0.3, "the link to have been full, more than the cycles of the signals"),
            },
        ),
        Ready(
            "both-closed-before-torque",
            "No torque unless both main contactors are closed.",
            {
                "while": {"not": _STILL, "for_s": "$settle_s"},
                "require": {"all": [_role("main_closed"), _role("other_main_closed")]},
            },
            {**_STILL_SETTINGS, "settle_s": Setting(0.2, "shorter torque is not looked at [s]")},
        ),
        Ready(
            "open-on-emergency",
            "The contactors open once the emergency line does.",
            {
                "becomes": _role("emergency"),
                "require": _role("contactors_open"),
                "within_s": "$within_s",
            },
            _within(1.0, "the contactors to open"),
        ),
        Ready(
            "drive-needs-brake",
            "A driving position is taken only with the brake pressed.",
            {
                "becomes": _role("drive_selected"),
                "require": _role("brake_pressed"),
                "within_s_before": "$within_s",
            },
            _within(0.3, "the brake to have been seen pressed"),
        ),
        Ready(
            "no-torque-on-the-lead",
            "With a charging lead in, the motor gives no torque.",
            {"while": _role("charging_lead_in", for_s="$settle_s"), "require": _STILL},
            {**_STILL_SETTINGS, "settle_s": Setting(1.0, "time for the torque to end [s]")},
        ),
        Ready(
            "fan-when-hot",
            "The fan comes on when the pack is hot.",
            {
                "becomes": {"signal": "@pack_temperature", "above": "$limit_c", "for_s": "$for_s"},
                "require": _role("fan_on"),
                "within_s": "$within_s",
            },
            {
                "limit_c": Setting(40.0, "temperature from which the pack is hot [°C]"),
                "for_s": Setting(5.0, "time above it before it counts [s]"),
                **_within(10.0, "the fan to run"),
            },
        ),
        Ready(
            "pump-when-hot",
            "The pump of the pack's loop runs when the pack is hot.",
            {
                "becomes": {"signal": "@pack_temperature", "above": "$limit_c", "for_s": "$for_s"},
                "require": _role("pump_on"),
                "within_s": "$within_s",
            },
            {
                "limit_c": Setting(35.0, "temperature from which the pump must run [°C]"),
                "for_s": Setting(5.0, "time above it before it counts [s]"),
                **_within(10.0, "the pump to run"),
            },
        ),
        Ready(
            "pump-when-charging",
            "The pump of the pack's loop runs while the pack is charged.",
            {"becomes": _role("charging"), "require": _role("pump_on"), "within_s": "$within_s"},
            _within(10.0, "the pump to run"),
        ),
        Ready(
            "pump-when-ignition-on",
            "The pump runs once the key is on.",
            {"becomes": _role("ignition_on"), "require": _role("pump_on"), "within_s": "$within_s"},
            _within(10.0, "the pump to run"),
        ),
        Ready(
            "dcdc-when-driving",
            "The low-voltage supply is fed while the vehicle is ready to drive.",
            {
                "while": _role("driving", for_s="$settle_s"),
                "require": {"signal": "@dcdc_output_voltage", "at_least": "$least_v"},
            },
            {
                "settle_s": Setting(3.0, "time for the converter to start [s]"),
                "least_v": Setting(13.0, "least voltage of a fed 12 V supply [V]"),
            },
        ),
        Ready(
            "charger-within-request",
            "The charger never gives more current than it is asked for.",
            {
                "always": {
                    "signal": "@charger_current",
                    "at_most": "@charger_current_request",
                    "plus": "$plus_a",
                    "delay_s": "$delay_s",
                }
            },
            {
                "plus_a": Setting(1.0, "allowed excess [A]"),
                "delay_s": Setting(2.0, "time in which the charger follows the request [s]"),
            },
        ),
        Ready(
            "charger-within-voltage-request",
            "The charger never gives more voltage than it is asked for.",
            {
                "always": {
                    "signal": "@charger_voltage",
                    "at_most": "@charger_voltage_request",
                    "plus": "$plus_v",
                    "delay_s": "$delay_s",
                },
                "while": _role("charging"),
            },
            {
                "plus_v": Setting(2.0, "allowed excess [V]"),
                "delay_s": Setting(2.0, "time in which the charger follows the request [s]"),
            },
        ),
        Ready(
            "charger-within-pack-limit",
            "The charger never gives more current than the pack allows.",
            {
                "always": {
                    "signal": "@charger_current",
                    "at_most": "@charger_limit",
                    "plus": "$plus_a",
                    "delay_s": "$delay_s",
                }
            },
            {
                "plus_a": Setting(1.0, "allowed excess [A]"),
                "delay_s": Setting(2.0, "time in which the charger follows the limit [s]"),
            },
        ),
        Ready(
            "charger-stops-when-asked",
            "The charger stops when it is no longer asked to charge.",
            {
                "becomes": {"not": _role("charge_asked")},
                "require": {"signal": "@charger_current", "at_most": "$most_a"},
                "within_s": "$within_s",
            },
            {"most_a": Setting(1.0, "current that counts as none [A]"), **_within(3.0, "it")},
        ),
        Ready(
            "torque-ends-when-command-stops",
            "When the torque command stops coming, the torque ends.",
            {
                "becomes": {"message": "@torque_command", "silent_s": "$silent_s"},
                "require": _STILL,
                "within_s": "$within_s",
            },
            {
                **_STILL_SETTINGS,
                "silent_s": Setting(0.1, "silence that counts as stopped [s]"),
                **_within(0.5, "the torque to end"),
            },
        ),
        Ready(
            "charge-ends-when-command-stops",
            "When the request to charge stops coming, the charger stops.",
            {
                "becomes": {"message": "@charge_command", "silent_s": "$silent_s"},
                "require": {"signal": "@charger_current", "at_most": "$most_a"},
                "within_s": "$within_s",
            },
            {
                "silent_s": Setting(2.0, "silence that counts as stopped [s]"),
                "most_a": Setting(1.0, "current that counts as none [A]"),
                **_within(5.0, "the charger to stop"),
            },
        ),
    )
}
"""By name, in the order they are shown."""
