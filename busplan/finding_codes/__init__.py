"""Every finding code of busplan and what it means: one register for all rooms.

One module a room, named like it. A finding needs a code and a weight that stand here; the tests
hold the whole source against these tables, both ways.
"""

from busplan.finding_codes.entry import FindingCode
from busplan.finding_codes.pages import page_for
from busplan.finding_codes.register import CODES, ROOMS, matching

__all__ = ["CODES", "ROOMS", "FindingCode", "matching", "page_for"]
