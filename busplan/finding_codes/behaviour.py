"""Codes of behaviours judged by a capture."""

from __future__ import annotations

from functools import partial

from busplan.finding_codes.entry import FAULT, NOTE, FindingCode

_entry = partial(FindingCode, "behaviour")

CODES = (
    _entry(
        "behaviour-failed",
        (FAULT,),
        "What the plan requires between signals over time did not hold at least once.",
        "Look at the moment with the replay screens, and mend the node or its settings before the "
        "vehicle is used.",
    ),
    _entry(
        "behaviour-not-shown",
        (NOTE,),
        "A behaviour of the plan never came up in the capture, or something of it was not heard, "
        "so nobody knows whether it holds.",
        "Record a drive, a charge or a test in which it comes up, with all its networks.",
    ),
)
