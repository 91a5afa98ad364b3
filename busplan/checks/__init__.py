"""Checks of a plan: one file a check, each a pure function returning findings; one registry."""

from busplan.checks.registry import all_codes, explain, run_checks

__all__ = ["all_codes", "explain", "run_checks"]
