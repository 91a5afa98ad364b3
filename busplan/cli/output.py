"""How commands print: JSON, findings and tables look the same everywhere."""

from __future__ import annotations

import json
from collections.abc import Iterable, Sequence
from typing import Any

import typer

from busplan.findings import Finding, Weight, by_weight, heaviest

CAUTION_LINE = (
    "High voltage can kill. Not a safety device: follow local codes, leave pack work to licensed "
    "people."
)


def print_json(value: Any) -> None:
    """Print one JSON document on stdout."""
    typer.echo(json.dumps(value, indent=2, ensure_ascii=False, allow_nan=False))


def print_findings(findings: Iterable[Finding], *, details: bool = True) -> None:
    """Print findings, heaviest first: a mark and word for the weight, the sentence, what to do."""
    for finding in by_weight(findings):
        typer.echo(
            f"{finding.weight.mark} {finding.weight.word:<7} {finding.code}  {finding.where}"
        )
        typer.echo(f"    {finding.summary}")
        if details:
            for lead, text in (("why", finding.why), ("do", finding.action)):
                if text:
                    typer.echo(f"    {lead}: {text}")


def exit_code(findings: Iterable[Finding]) -> int:
    """0 when nothing is above a note, 1 for cautions, 2 for faults."""
    weight = heaviest(findings)
    return {Weight.NOTE: 0, Weight.CAUTION: 1, Weight.FAULT: 2}[weight]


def print_table(
    head: Sequence[str], rows: Iterable[Sequence[str]], *, right: frozenset[int] = frozenset()
) -> None:
    """Print aligned columns; ``right`` lists the columns that align right (numbers)."""
    cells = [list(head), *(list(r) for r in rows)]
    widths = [max(len(r[c]) for r in cells) for c in range(len(head))]
    for row in cells:
        parts = [
            t.rjust(w) if c in right else t.ljust(w)
            for c, (t, w) in enumerate(zip(row, widths, strict=True))
        ]
        typer.echo("  ".join(parts).rstrip())
