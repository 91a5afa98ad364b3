"""Codes of boards: limits that were passed, and what people noted."""

from __future__ import annotations

from functools import partial

from busplan.finding_codes.entry import CAUTION, FAULT, NOTE, FindingCode

_entry = partial(FindingCode, "board")

CODES = (
    _entry(
        "limit-passed",
        (CAUTION, FAULT),
        "A value lay beyond a limit of the board's file or of the plan for longer than it may.",
        "See what else happened at that time.",
        "The weight of the limit.",
    ),
    _entry(
        "note-taken",
        (NOTE,),
        "Somebody noted something at this moment of the capture.",
        "Read it beside what the capture shows then.",
    ),
)
