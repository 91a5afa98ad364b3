"""Checks of a plan: one file a check, each a pure function returning findings; one registry."""

from busplan.checks.registry import require_codes, run_checks

__all__ = ["require_codes", "run_checks"]
