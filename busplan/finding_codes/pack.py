"""Codes of the pack judged by a capture."""

from __future__ import annotations

from functools import partial

from busplan.finding_codes import pack_cells, pack_warm_up
from busplan.finding_codes.entry import CAUTION, FAULT, NOTE, FindingCode
from busplan.finding_codes.pack_sense import SENSE

_entry = partial(FindingCode, "pack")

_BEYOND = (
    "A note when every stay beyond the limit was shorter than 1 s; else a fault when the worst "
    "value lies beyond it by more than {far}, a caution otherwise."
)
_VOLTS, _KELVIN = _BEYOND.format(far="10 mV"), _BEYOND.format(far="2 K")
_CHECK_SENSOR = (
    "Check the sensor, its plug and its wire with the pack made safe by licensed people."
)
_LEFT_OUT = " What is measured wrongly is protected wrongly; its readings are left out."

READING = (
    _entry(
        "pack-cell-unmapped",
        (CAUTION,),
        "A node sends more signals like the plan's cells than the plan uses. If they are cells of "
        "this pack, nobody judges them.",
        "Raise the counts of the enclosure in the plan, or leave it so if they are not fitted.",
    ),
    _entry(
        "pack-sensor-unmapped",
        (CAUTION,),
        "A node sends more signals like the plan's module sensors than the plan uses. If they are "
        "sensors of this pack, nobody judges them.",
        "Raise the counts of the enclosure in the plan, or leave it so if they are not fitted.",
    ),
    _entry(
        "pack-cell-number-missing",
        (CAUTION,),
        "No signal stands for some cells of the string. A cell that nobody measures cannot be "
        "judged.",
        "Correct the pattern or the numbers of cells in the plan.",
    ),
    _entry(
        "pack-cell-number-doubled",
        (CAUTION,),
        "More than one signal stands for one cell. One cell cannot have two voltages; another one "
        "goes unmeasured.",
        "Correct the pattern or the numbers of cells in the plan.",
    ),
    _entry(
        "pack-cell-not-received",
        (FAULT,),
        "Cells of the plan were never heard in the capture, while others were. A cell that is not "
        "measured cannot be judged, nor protected.",
        "Check the node's supply, its connection and the plan's names.",
    ),
    _entry(
        "pack-sensor-not-received",
        (FAULT,),
        "Module sensors of the plan were never heard in the capture, while others were. A sensor "
        "that is not measured cannot be judged, nor protect.",
        "Check the node's supply, its connection and the plan's names.",
    ),
    _entry(
        "pack-frame-short",
        (CAUTION,),
        "Frames of the pack have fewer bytes than defined. What they do not carry is missing from "
        "the judgement.",
        "Compare the definition file with the node's version.",
    ),
    _entry(
        "pack-value-not-available",
        (CAUTION, FAULT),
        'Values of the pack are codes (such as "not available"), not measurements. They are left '
        "out of the judgement.",
        "Check the sensor and its wire.",
        "A fault when nothing but codes came, so that it was never measured; a caution otherwise.",
    ),
    _entry(
        "pack-unit-assumed",
        (NOTE,),
        "The definition gives a signal of the pack no unit that is known, so one was assumed. A "
        "wrong unit makes every judgement of this signal wrong.",
        "State the unit in the definition file.",
    ),
    _entry(
        "monitor-silent",
        (CAUTION,),
        "Cells or sensors of a node were not heard for longer than a value may be old. While a "
        "monitor is silent nobody watches its cells.",
        "Check its supply, plug and ground; does it happen under vibration or load?",
    ),
)

SENSORS = (
    _entry(
        "cell-saturated",
        (FAULT,),
        "The reading of a cell sits at the end of what its signal can carry." + _LEFT_OUT,
        _CHECK_SENSOR,
    ),
    _entry(
        "cell-impossible",
        (FAULT,),
        "The reading of a cell is outside anything a cell can do and live (0.1 to 6 V)."
        + _LEFT_OUT,
        _CHECK_SENSOR,
    ),
    _entry(
        "cell-jumping",
        (FAULT,),
        "Single readings of a cell leap away and come back, as charge cannot." + _LEFT_OUT,
        _CHECK_SENSOR,
    ),
    _entry(
        "cell-stuck",
        (FAULT,),
        "The reading of a cell does not move while its peers do." + _LEFT_OUT,
        _CHECK_SENSOR,
    ),
    _entry(
        "cell-noisy",
        (FAULT,),
        "The readings of a cell scatter several times as far from one to the next as those of its "
        "peers." + _LEFT_OUT,
        _CHECK_SENSOR,
    ),
    _entry(
        "current-still",
        (CAUTION,),
        "The current reads one value while the cells leap as under load. Whatever is judged by the "
        "current means nothing then.",
        "Check the current sensor and whether its message is sent anew each time.",
    ),
    _entry(
        "cells-still",
        (CAUTION,),
        "All cells read one value each while the current leaps. Nobody measures the cells then, "
        "nor protects them.",
        "Check whether the monitors measure; one that repeats old values hides every fault.",
    ),
    _entry(
        "temperatures-still",
        (CAUTION,),
        "All module temperatures read one value each while warm liquid stands at the inlet. Either "
        "nothing flows, or the sensors are not read; such a test cannot part the two.",
        "Check that the pump runs and bleeds, then compare one sensor with a thermometer.",
    ),
    _entry(
        "sensor-saturated",
        (CAUTION,),
        "The reading of a temperature sensor sits at the end of what its signal can carry."
        + _LEFT_OUT,
        _CHECK_SENSOR,
    ),
    _entry(
        "sensor-impossible",
        (CAUTION,),
        "The reading of a temperature sensor is outside anything a pack can live in (-55 to "
        "150 °C)." + _LEFT_OUT,
        _CHECK_SENSOR,
    ),
    _entry(
        "sensor-jumping",
        (CAUTION,),
        "Single readings of a temperature sensor leap away and come back, as heat cannot."
        + _LEFT_OUT,
        _CHECK_SENSOR,
    ),
    _entry(
        "readings-jump-together",
        (CAUTION, FAULT),
        "Half or more of all temperatures, or of all cell voltages, leap away and come back. No "
        "sensor does that alone: the clock of the recording stepped back, or two senders share "
        "identifiers, so that two courses are mixed. None of them is believed.",
        "Record again with one clock; see that each identifier has one sender.",
        "A fault of cell voltages, a caution of temperatures.",
    ),
    _entry(
        "sensor-stuck",
        (CAUTION,),
        "The reading of a temperature sensor does not move while its peers do." + _LEFT_OUT,
        _CHECK_SENSOR,
    ),
)

LIMITS = (
    _entry(
        "cell-voltage-high",
        (NOTE, CAUTION, FAULT),
        "A cell was above its highest voltage. Overcharging can set a cell on fire.",
        "Stop; have the charger's or inverter's voltage limits and this cell checked.",
        _VOLTS,
    ),
    _entry(
        "cell-voltage-low",
        (NOTE, CAUTION, FAULT),
        "A cell was below its lowest voltage. Deep discharge damages a cell for good; charging it "
        "again can be dangerous.",
        "Stop; have the charger's or inverter's voltage limits and this cell checked.",
        _VOLTS,
    ),
    _entry(
        "temperature-high",
        (NOTE, CAUTION, FAULT),
        "A module was warmer than its window allows for what the pack was doing. There a cell ages "
        "fast or becomes unsafe.",
        "Cool the pack first; check that the current limits follow temperature.",
        _KELVIN,
    ),
    _entry(
        "temperature-low",
        (NOTE, CAUTION, FAULT),
        "A module was colder than its window allows for what the pack was doing, charging apart. "
        "There a cell ages fast or becomes unsafe.",
        "Warm the pack first; check that the current limits follow temperature.",
        _KELVIN,
    ),
    _entry(
        "charging-too-cold",
        (NOTE, CAUTION, FAULT),
        "A module was charged below its lowest charging temperature. Charging a cold cell plates "
        "lithium; it stays unsafe.",
        "Warm the pack first; check that the current limits follow temperature.",
        _KELVIN,
    ),
)

EVENNESS = (
    _entry(
        "cell-high",
        (CAUTION,),
        "A cell stands above its peers by more than chance and half the allowed spread. The pack "
        "stops charging at its highest cell.",
        "Balance the pack; a cell that comes back to this loses charge by itself, or the others "
        "do.",
    ),
    _entry(
        "cell-low",
        (CAUTION,),
        "A cell stands below its peers by more than chance and half the allowed spread. The pack "
        "stops discharging at its lowest cell.",
        "Balance the pack; a cell that comes back to this loses charge by itself.",
    ),
    _entry(
        "voltage-spread",
        (CAUTION,),
        "The cells that no other finding names lay farther apart than the limit, for a while. The "
        "weakest cell decides what the whole pack can give and take.",
        "Balance the pack, then look again.",
    ),
    _entry(
        "cell-drift",
        (CAUTION,),
        "A cell has moved against its peers since the capture before. What drifts from its peers "
        "will limit the pack or fail first.",
        "Compare both captures at the same state of charge; look again in a few weeks.",
    ),
    _entry(
        "module-hot",
        (CAUTION,),
        "A module is warmer than its peers by more than chance and half the allowed spread. Warm "
        "modules age faster.",
        "Check its cooling branch, and its sensors against a second thermometer.",
    ),
    _entry(
        "module-cold",
        (CAUTION,),
        "A module is colder than its peers by more than chance and half the allowed spread. Cold "
        "modules carry less.",
        "Check its cooling branch, and its sensors against a second thermometer.",
    ),
    _entry(
        "temperature-spread",
        (CAUTION,),
        "The modules that no other finding names lay farther apart than the limit, for a while. "
        "Unevenly warm modules age unevenly.",
        "Check the liquid loop for flow through every branch.",
    ),
    _entry(
        "module-drift",
        (CAUTION,),
        "A module has moved against its peers in temperature since the capture before. What drifts "
        "from its peers will limit the pack or fail first.",
        "Compare both captures at the same state of charge; look again in a few weeks.",
    ),
    _entry(
        "cell-first-to-top",
        (CAUTION,),
        "A cell comes first to the upper end when charging, clearly ahead of its peers. It ends "
        "charging before the other cells are full.",
        "Balance the pack; if it stays ahead at both ends, the cell has less capacity.",
    ),
    _entry(
        "cell-first-to-bottom",
        (CAUTION,),
        "A cell comes first to the lower end when discharging, clearly ahead of its peers. It ends "
        "driving before the other cells are empty.",
        "Balance the pack; if it stays ahead at both ends, the cell has less capacity.",
    ),
    _entry(
        "cell-resistance-high",
        (CAUTION,),
        "A cell, with its busbars, has more resistance than its peers. A loose busbar heats at "
        "that spot; an aged cell limits the pack under load.",
        "Have licensed people check the torque and faces of its busbars, then the cell.",
    ),
)

CODES = (*READING, *SENSORS, *LIMITS, *EVENNESS, *SENSE, *pack_cells.CODES, *pack_warm_up.CODES)
