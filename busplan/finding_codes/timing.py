"""Codes of the bus simulation held against proof and deadlines."""

from __future__ import annotations

from functools import partial

from busplan.finding_codes.entry import FAULT, FindingCode

_entry = partial(FindingCode, "timing")

CODES = (
    _entry(
        "response-beyond-bound",
        (FAULT,),
        "A message took longer in the simulation than the worst case proven for it. The proof or "
        "the simulation is wrong; neither can be relied on for this message.",
        "Report it with the plan and the seed.",
    ),
    _entry(
        "response-past-deadline",
        (FAULT,),
        "A message took longer in the simulation than its deadline allows, its critical instant "
        "included where that was played.",
        "See its worst case and what it waits for with busplan timing.",
    ),
)
