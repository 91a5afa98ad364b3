"""Codes of the warm-up and cool-down test."""

from __future__ import annotations

from functools import partial

from busplan.finding_codes.entry import CAUTION, FAULT, NOTE, FindingCode

_entry = partial(FindingCode, "pack")
_CHECK_SENSOR = (
    "Check the sensor, its plug and its seat with the pack made safe by licensed people."
)

CODES = (
    _entry(
        "module-no-flow",
        (FAULT,),
        "A module took no part in the warm-up or cool-down of the loop. Without its share of "
        "liquid it overheats under load and limits the whole pack.",
        "Bleed the loop; look for an air pocket, a kink or a blocked branch at this module.",
    ),
    _entry(
        "module-slow",
        (CAUTION,),
        "A module lags behind its peers in the warm-up or cool-down of the loop. With too little "
        "liquid it overheats under load and limits the whole pack.",
        "Bleed the loop; look for an air pocket, a kink or a blocked branch at this module.",
    ),
    _entry(
        "test-too-short",
        (NOTE,),
        "The warm-up was too short to judge the modules by it. A module that gets little liquid "
        "could hide in this test.",
        "Repeat the test for as long as the finding says; start it cold, with the pump at its "
        "usual speed.",
    ),
    _entry(
        "test-too-even",
        (NOTE,),
        "Liquid and modules lie so close that more time would not tell the modules apart. A module "
        "that gets little liquid could hide in this test.",
        "Repeat the test; start colder or heat further, with the pump at its usual speed.",
    ),
    _entry(
        "test-peers-too-uneven",
        (NOTE,),
        "The modules differ so much among each other that none can be told apart. A module that "
        "gets little liquid could hide in this test.",
        "Repeat the test; start it cold, with the pump at its usual speed.",
    ),
    _entry(
        "test-too-few-modules",
        (NOTE,),
        "Fewer than three modules of one kind and place were heard, so that none can be compared "
        "with its peers. A module that gets little liquid could hide in this test.",
        "Record all monitors; check that the plan names all sensors and kinds rightly.",
    ),
    _entry(
        "module-flow-changed",
        (CAUTION,),
        "The flow through a module changed during the test: air that cleared, a branch that "
        "closed, or a sensor that froze. What comes and goes in a branch will do so again.",
        "Bleed the loop and run the test once more.",
    ),
    _entry(
        "module-sensors-disagree",
        (CAUTION,),
        "Two sensors of one module cannot both be right about how it warms up. The module is not "
        "judged.",
        _CHECK_SENSOR,
    ),
    _entry(
        "sensor-offset",
        (CAUTION,),
        "A temperature sensor reads too low or too high all along, by 2 K or more and beyond "
        "chance. What is measured wrongly is protected wrongly.",
        _CHECK_SENSOR,
    ),
    _entry(
        "box-late",
        (CAUTION,),
        "All modules of a box come later than those of the other boxes. Less flow to the whole box "
        "and a longer pipe look the same in this test.",
        "Compare the pipes; look for a kink or a half-shut valve on the way to this box.",
    ),
)
