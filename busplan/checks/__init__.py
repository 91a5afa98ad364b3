"""Checks of a plan: one file a check, each a pure function returning findings; one registry.

The rules of this room: every finding has a reason, a remedy and, where there are numbers, figures
with units. Load is an average over all time, from periods, and its limit is held against the worst
case of stuffing (``wire.load_limit`` alone says when it is over); messages of several frames count
all of them. Shared phrases stand in ``wording``; who answers whom is ``matching``.
"""

from busplan.checks.registry import require_codes, run_checks

__all__ = ["require_codes", "run_checks"]
