"""Which page of the manual helps with a code of a finding: one rule, so that none need be read."""

from __future__ import annotations

from fnmatch import fnmatchcase

from busplan.finding_codes.entry import FindingCode

_BY_CODE = {
    "checks": (
        ("*load*", "what-is-load"),
        ("deadline-*", "why-worst-case"),
        ("route-too-late", "why-worst-case"),
        ("route-*", "write-a-plan"),
        ("*identifier*", "allot-identifiers"),
        ("*clash*", "allot-identifiers"),
        ("*address*", "allot-identifiers"),
        ("*terminator*", "gateway-and-wiring"),
        ("stub-*", "gateway-and-wiring"),
        ("trunk-*", "gateway-and-wiring"),
        ("cable-*", "gateway-and-wiring"),
    ),
    "pack": (
        ("module-slow", "heat-gun"),
        ("module-*flow*", "heat-gun"),
        ("module-sensors-*", "heat-gun"),
        ("test-*", "heat-gun"),
        ("*-drift", "before-and-after"),
    ),
}
"""By room: patterns of codes, the first that fits."""
_BY_ROOM = {
    "definitions": "part-on-paper",
    "plan": "write-a-plan",
    "checks": "write-a-plan",
    "timing": "proven-bound",
    "capture": "formats",
    "decode": "write-a-plan",
    "transport": "long-messages",
    "traffic": "what-is-load",
    "replay": "tutorial-technician",
    "pack": "how-a-pack-is-judged",
    "commission": "commissioning-and-report",
    "behaviour": "behaviours",
    "bench": "bench-a-node",
    "live": "record-safely",
    "board": "own-board",
}


def page_for(entry: FindingCode) -> str:
    """The name of the page that helps with a code."""
    for pattern, page in _BY_CODE.get(entry.room, ()):
        if fnmatchcase(entry.code, pattern):
            return page
    return _BY_ROOM[entry.room]
