"""Codes of the pack's cells: what their readings are worth, their resistance, joints."""

from __future__ import annotations

from functools import partial

from busplan.finding_codes.entry import CAUTION, FindingCode

_entry = partial(FindingCode, "pack")

PLAUSIBLE = (
    _entry(
        "current-sign-wrong",
        (CAUTION,),
        "The cells rise when the current discharges them, so its sign is the other way round. "
        "Limits, energy and resistance are then judged the wrong way round.",
        "Turn current_sign in [pack] of the plan.",
    ),
    _entry(
        "current-scale-wrong",
        (CAUTION,),
        "The cells fall far too little or far too much for the current that is read, such as when "
        "milliamperes are read as amperes. Every figure made with it is wrong by as much.",
        "Correct factor or unit of this signal in its definition.",
    ),
    _entry(
        "cell-scale-wrong",
        (CAUTION,),
        "All cells read a power of ten too high or too low, such as when millivolts are read as "
        "volts. No cell can be judged by such readings.",
        "Correct factor or unit of the cell voltages in their definition.",
    ),
    _entry(
        "chemistry-contradicted",
        (CAUTION,),
        "The cells stand where no cell of the plan's chemistry can: LFP above 3.7 V while "
        "discharging, NMC or NCA below 3.45 V at both ends of half a capacity. All limits of the "
        "chemistry are then those of other cells. A chemistry that is not contradicted is not "
        "proven.",
        "Read the cells' label and correct chemistry, limits and capacity_ah in [pack] of the "
        "plan; until then do not charge by it.",
    ),
    _entry(
        "cells-same-reading",
        (CAUTION,),
        "Two or more cells keep one difference, change for change. Two cells never move alike to "
        "the last bit; at least one of them is not measured.",
        "Check the definition's bits for these signals, and how the monitor is wired and set up.",
    ),
)

CAPACITY = (
    _entry(
        "cell-capacity-low",
        (CAUTION,),
        "A cell holds surely less than 97 % of what the middle cell holds, and less than the "
        "scatter of its peers explains. It ends every charge and every discharge of the pack.",
        "Measure it again from end to end; then have licensed people replace the module.",
    ),
)

SELF_DISCHARGE = (
    _entry(
        "cell-self-discharge",
        (CAUTION,),
        "At rest a cell falls faster than its peers, by more than relaxation, rounding and the "
        "scatter of the others explain. It loses charge by itself until it limits the pack; one "
        "that loses more and more may be damaged inside.",
        "Make sure that no balancing ran, rest longer, look again; then have licensed people take "
        "the module out.",
    ),
)

RESISTANCE = (
    _entry(
        "module-resistance-high",
        (CAUTION,),
        "All cells of a module have more resistance than those of the others, more than its "
        "temperature explains. One cause for all: another temperature than told, another age or "
        "kind of cell.",
        "Measure the module's temperature apart; then compare age and type of its cells.",
    ),
)

JOINTS = (
    _entry(
        "joint-resistance-high",
        (CAUTION,),
        "Fuse, contactors and joints outside the cells' taps have surely more resistance than the "
        "plan states, by more than 0.3 mΩ. A loose or corroded joint heats until it burns.",
        "Have licensed people compare the drops over fuse, contactors and joints under load.",
    ),
    _entry(
        "joint-drift",
        (CAUTION,),
        "Fuse, contactors and joints outside the cells' taps have another resistance than in the "
        "capture before, surely and by more than 0.3 mΩ. A joint that loosens or corrodes heats "
        "until it burns.",
        "Have licensed people compare the drops over fuse, contactors and joints under load.",
    ),
)

CODES = (*PLAUSIBLE, *CAPACITY, *SELF_DISCHARGE, *RESISTANCE, *JOINTS)
