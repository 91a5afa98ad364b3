"""Codes of a build held against what its commissioning found."""

from __future__ import annotations

from functools import partial

from busplan.finding_codes.entry import CAUTION, FindingCode

_entry = partial(FindingCode, "commission")

CODES = (
    _entry(
        "load-drift",
        (CAUTION,),
        "A network's load has moved since the commissioning, beyond what both captures leave open "
        "and by more than 2 % of its time, though the same messages came.",
        "Compare the shares with busplan measure, and find the message that grew or went.",
    ),
    _entry(
        "cycle-drift",
        (CAUTION,),
        "A message's period has moved since the commissioning by more than 5 %, surely.",
        "Ask what was changed on its sender; hold it against its definition with busplan bench.",
    ),
    _entry(
        "insulation-drift",
        (CAUTION,),
        "The insulation has fallen to less than half of what it was at the commissioning, surely.",
        "Have licensed people measure it, and look for water and worn insulation.",
    ),
)
