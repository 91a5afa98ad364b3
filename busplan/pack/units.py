"""Units as definition files write them, brought to volts, amperes, degrees Celsius and ohms."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from busplan.frames.columns import F64


@dataclass(frozen=True, slots=True)
class Conversion:
    """``value * factor + offset`` in the unit we calculate with."""

    factor: float
    offset: float = 0.0

    def apply(self, values: F64) -> F64:
        """Converted values, shape kept."""
        if self.factor == 1.0 and self.offset == 0.0:
            return values
        return np.asarray(values * self.factor + self.offset, np.float64)


_PLAIN = {
    "voltage": {"v": 1.0, "mv": 1e-3, "uv": 1e-6, "kv": 1e3, "volt": 1.0, "volts": 1.0},
    "current": {"a": 1.0, "ma": 1e-3, "amp": 1.0, "amps": 1.0, "ampere": 1.0},
    "resistance": {
        "ohm": 1.0,
        "ohms": 1.0,
        "Ω": 1.0,
        "kohm": 1e3,
        "kΩ": 1e3,
        "mohm": 1e6,
        "megaohm": 1e6,
        "MΩ": 1e6,
    },
    "charge": {"%": 1.0, "percent": 1.0},
}
_TEMPERATURE = {
    "c": Conversion(1.0),
    "k": Conversion(1.0, -273.15),
    "f": Conversion(5.0 / 9.0, -160.0 / 9.0),
}


@lru_cache(maxsize=256)
def conversion(kind: str, unit: str) -> Conversion | None:
    """How a unit text becomes ours; ``None`` when it is not a unit of that kind.

    ``kind`` is ``voltage`` [V], ``current`` [A], ``temperature`` [°C], ``resistance`` [Ω] or
    ``charge`` [%]. A bare ``mohm`` is read as megaohms: insulation is what it is used for.
    """
    text = unit.strip()
    if kind == "temperature":
        bare = text.lower().replace("°", "").replace("º", "").replace("â", "")
        for word in ("degrees", "degree", "deg", "celsius", "kelvin", "fahrenheit", " ", "_", "."):
            initial = word[0] if word in ("celsius", "kelvin", "fahrenheit") else ""
            bare = bare.replace(word, initial)
        return _TEMPERATURE.get(bare)
    table = _PLAIN[kind]
    exact = table.get(text.replace("\N{OHM SIGN}", "Ω"))
    factor = exact if exact is not None else table.get(text.lower())
    return None if factor is None else Conversion(factor)


OURS = {"voltage": "V", "current": "A", "temperature": "°C", "resistance": "Ω", "charge": "%"}
"""The unit we calculate with, by kind."""
QUANTITY_KIND = {
    "current": "current",
    "voltage": "voltage",
    "inlet_temperature": "temperature",
    "outlet_temperature": "temperature",
    "insulation": "resistance",
    "link_voltage": "voltage",
    "state_of_charge": "charge",
    "dcdc_output_voltage": "voltage",
    "charger_current": "current",
    "charger_current_request": "current",
    "charger_voltage": "voltage",
    "charger_voltage_request": "voltage",
}
"""The kind of each mapped quantity; states and commands have none."""
