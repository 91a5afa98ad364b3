"""Codes of the sense checks around the pack: contactors, charger, insulation, counted charge."""

from __future__ import annotations

from functools import partial

from busplan.finding_codes.entry import CAUTION, FAULT, FindingCode

_entry = partial(FindingCode, "pack")

CONTACTORS = (
    _entry(
        "contactor-order",
        (FAULT,),
        "The main contactor closed straight from open, without pre-charge, onto a link that was "
        "not full. The inrush into the link capacitors welds contacts and blows fuses.",
        "Correct the contactor sequence; have the contacts inspected by licensed people.",
    ),
    _entry(
        "pre-charge-incomplete",
        (CAUTION, FAULT),
        "The main contactor closed before the link had reached 95 % of the pack voltage. The rush "
        "of current burns its contacts, and can weld them.",
        "Lengthen the pre-charge or check its resistor and what draws current from the link.",
        "A fault when the link was surely under 80 %, a caution otherwise.",
    ),
    _entry(
        "contactor-welded",
        (FAULT,),
        "The link stood at pack voltage while its circuit was told open, longer than it may take "
        "to discharge. A contactor is welded, or nothing discharges the link: high voltage stays "
        "live although it is told off.",
        "Do not touch. Have licensed people prove it dead, then inspect the contactors and the "
        "discharge of the link.",
    ),
    _entry(
        "link-not-at-pack",
        (FAULT,),
        "The link was more than 10 % off the pack voltage although the contactors were told "
        "closed. A contactor did not close, a fuse or plug is open, or one of the two is measured "
        "wrongly.",
        "Read the contactor box's own fault memory; have licensed people check fuse and "
        "contactors.",
    ),
    _entry(
        "contactor-feedback",
        (FAULT,),
        "A contactor's feedback disagreed with its command for longer than a contactor and two "
        "messages take. It does not move as told, or nobody would see when it does not.",
        "Do not touch. Have licensed people check the contactor, its coil and its feedback.",
    ),
    _entry(
        "contactor-opened-loaded",
        (CAUTION,),
        "The main contactor opened while more than 20 A flowed. Breaking a direct current wears "
        "contacts fast, and can weld them.",
        "Bring the current down before opening; find out why it did not.",
    ),
    _entry(
        "contactor-fault",
        (FAULT,),
        "The state or feedback of a contactor reads a fault. The pack may not switch off when it "
        "must.",
        "Read the contactor box's own fault memory before driving on.",
    ),
)

CHARGER = (
    _entry(
        "charger-over-request",
        (FAULT,),
        "The charger gave more current than it was asked for, for a while. The request protects "
        "the cells; a charger that ignores it can overcharge them.",
        "Stop charging; check that the charger reads the request and its scaling.",
    ),
    _entry(
        "charger-over-voltage",
        (FAULT,),
        "The charger's voltage lay over what was asked for by more than 1 %, for a while. The "
        "cells can be overcharged by it.",
        "Stop charging; check that the charger reads the request and its scaling.",
    ),
    _entry(
        "charger-under-request",
        (CAUTION,),
        "The charger gave under a tenth of what was asked for, for a minute or more, with no cell "
        "near full. Charging takes many times as long; the charger may be limiting itself.",
        "Read the charger's own state: mains, temperature, a fault it holds.",
    ),
    _entry(
        "pack-over-charger",
        (CAUTION,),
        "The pack took more current than the charger said it gave, by 2 A and a tenth at least, "
        "for a while. One of the two reads wrongly; if it is the charger, it gives more than is "
        "asked for.",
        "Measure the charging current apart, by licensed people; check both signals' factor.",
    ),
    _entry(
        "charger-goes-on",
        (FAULT,),
        "The charger went on giving current after its request had ended. A charger that does not "
        "stop overcharges the cells; they can burn.",
        "Unplug; find out why the charger ignores the end of its request before charging again.",
    ),
    _entry(
        "charge-past-full-cell",
        (FAULT,),
        "Charging went on although a cell was full. Who ends the charge by the pack's voltage "
        "alone overcharges the cell that is full first.",
        "Stop charging; the highest cell must lower the request. Balance the pack.",
    ),
)

AROUND = (
    _entry(
        "cells-do-not-add-up",
        (CAUTION,),
        "The pack voltage differs from the sum of its cells by more than 1 %, for a while. A cell "
        "is missing, doubled or measured wrongly, or the pack voltage is.",
        "Compare the plan's cells with the pack; measure the pack voltage apart (licensed people).",
    ),
    _entry(
        "insulation-low",
        (CAUTION, FAULT),
        "The insulation monitor read less than 500 Ω per volt of the pack's highest voltage, for "
        "10 s or more. A second fault to the body can then drive a current through a person.",
        "Do not touch; have licensed people find the leak before the pack is used.",
        "A fault under 100 Ω per volt, a caution otherwise.",
    ),
    _entry(
        "insulation-falling",
        (CAUTION,),
        "Insulation fell steadily to less than half, and to less than 2500 Ω per volt. Water or a "
        "damaged cable may be at work.",
        "Have licensed people look for moisture and chafed cables before the pack is used.",
    ),
    _entry(
        "dcdc-output",
        (CAUTION,),
        "The output of the DC-DC converter lay outside 12.8 to 15 V (twice that on 24 V) for a "
        "while. Too low and the battery runs flat while driving; too high and lamps and units "
        "fail.",
        "Check the converter's set point, its ground and the load.",
    ),
    _entry(
        "dcdc-off",
        (CAUTION,),
        "The DC-DC converter gave nothing in all the time in which it had to be on. The battery "
        "runs flat while driving; then steering, brakes and contactors fail.",
        "Check the converter's enable, its fuses on both sides and its supply from the link.",
    ),
    _entry(
        "dcdc-sag",
        (CAUTION,),
        "The output of the DC-DC converter fell under 11 V (22 V on 24 V) for a moment. Units "
        "reset at such a voltage, in the middle of a drive.",
        "Check the 12 V battery, its ground, and what draws so much at that moment.",
    ),
    _entry(
        "state-of-charge-off",
        (CAUTION,),
        "The state of charge does not move as the counted current says. The range that is shown "
        "is wrong; the vehicle may stop with charge told left.",
        "Check the stated capacity, the current's sign and gain, and when the charge was last set.",
    ),
    _entry(
        "current-offset",
        (CAUTION,),
        "The current reads more than 1 A while the contactors are open, or at a rest that was "
        "stated. Counted charge drifts by as many Ah each hour.",
        "Zero the current sensor with the pack off; keep its cable away from others.",
    ),
    _entry(
        "outlet-implausible",
        (CAUTION,),
        "The liquid's outlet read warmer or colder than inlet and all modules. Liquid cannot leave "
        "so; cooling is controlled by a wrong value.",
        "Check where both sensors sit and whether they are swapped.",
    ),
)

SENSE = (*AROUND, *CONTACTORS, *CHARGER)
