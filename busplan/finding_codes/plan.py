"""Codes of reading a plan."""

from __future__ import annotations

from functools import partial

from busplan.finding_codes.entry import CAUTION, FindingCode

_entry = partial(FindingCode, "plan")

CODES = (
    _entry(
        "definition-draft",
        (CAUTION,),
        "Messages of a part are a draft, made from what a capture shows, which nobody has "
        "confirmed. Everything that is said about them holds as far as the guess does.",
        "Compare with the part's papers or a test of it, then take out the key confidence (in a "
        "DBC, the attribute DraftConfidence).",
    ),
    _entry(
        "pack-cell-missing",
        (CAUTION,),
        "The plan's [pack] section counts on a cell voltage that no definition has. The cell is "
        "left out of every judgement of the pack.",
        "Correct the numbers of cells or the pattern in the plan, or the definition file.",
    ),
    _entry(
        "pack-sensor-missing",
        (CAUTION,),
        "The plan's [pack] section counts on a temperature sensor that no definition has. The "
        "sensor is left out of every judgement of the pack.",
        "Correct the numbers of sensors or the pattern in the plan, or the definition file.",
    ),
    _entry(
        "pack-signal-doubled",
        (CAUTION,),
        "One signal stands for two cells or sensors of the pack, so one of the two is not "
        "measured at all.",
        "Correct the patterns of the enclosures in the plan.",
    ),
)
