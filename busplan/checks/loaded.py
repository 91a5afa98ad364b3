"""What reading the plan and its definition files had to tolerate."""

from __future__ import annotations

from collections.abc import Iterable, Mapping

from busplan.findings import Finding
from busplan.plan.vehicle import Vehicle

CODES: Mapping[str, str] = {
    "definition-encoding": "A definition file is not UTF-8 and was read in another encoding, so "
    "units and names may hold wrong letters.",
    "definition-line-set-aside": "A line of a definition file could not be read and was left out; "
    "all else was read.",
    "definition-bit-rate-hint": "A definition file mentions a bit rate. The plan's bit rates "
    "count; the file's is only used where the plan states none for the part.",
    "definition-nodes-missing": "A definition file has no list of nodes, so a misspelt sender "
    "cannot be told from a node that only listens.",
    "definition-no-messages": "A definition file defines no message at all.",
    "definition-repeated-identifier": "One definition file gives one identifier to several "
    "messages. All are kept apart; a frame could be any of them.",
    "definition-signals-overlap": "Two signals of a message share bits and no selector tells them "
    "apart; at most one of them can be right.",
    "definition-signal-outside": "A signal reaches past the end of its message, so frames of the "
    "stated length do not carry it.",
    "definition-odd-length": "A message has a length that no frame of its kind can have. Loads "
    "count it in the next longer frame, or as several frames.",
    "definition-selector-missing": "Signals depend on a selector that their message does not have, "
    "so it cannot be told which frames carry them.",
    "pack-cell-missing": "The plan's [pack] section counts on a cell voltage that no definition "
    "has. The cell is left out of every judgement of the pack.",
    "pack-sensor-missing": "The plan's [pack] section counts on a temperature sensor that no "
    "definition has. The sensor is left out of every judgement of the pack.",
    "pack-signal-doubled": "One signal stands for two cells or sensors of the pack, so one of the "
    "two is not measured at all.",
}


def check(vehicle: Vehicle) -> Iterable[Finding]:
    """The findings that loading left on the vehicle."""
    return vehicle.findings
