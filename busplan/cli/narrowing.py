"""Fewer findings: those of some networks or codes only, for every command that judges a plan."""

from __future__ import annotations

from collections.abc import Iterable

from busplan.findings import Finding, chosen_findings


def narrowed(
    findings: Iterable[Finding],
    networks: Iterable[str] | None = None,
    codes: Iterable[str] | None = None,
) -> tuple[Finding, ...]:
    """The findings that were asked for; ``UsageError`` for a code that there is not."""
    from busplan.errors import UsageError
    from busplan.finding_codes import CODES
    from busplan.plan.problems import near_miss

    wanted = tuple(codes or ())
    for code in wanted:
        if code not in CODES:
            hint = near_miss(code, CODES) or "; busplan explain all lists every one"
            raise UsageError(f'there is no code "{code}"{hint}')
    return chosen_findings(findings, networks, wanted)
