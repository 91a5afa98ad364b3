"""One finding as lines: in short, in full on a screen, in full on the command line."""

from __future__ import annotations

from busplan.findings import Finding
from busplan.text.runs import (
    FAINT,
    HEAD,
    LONGEST_WORD,
    OF_WEIGHT,
    PLAIN,
    Line,
    clock_text,
    fold,
    wrap,
    wrapped,
)

INDENT = "    "
"""Before everything but the first line of a finding on the command line."""


def finding_line(finding: Finding) -> Line:
    """A finding in one line: mark, time, sentence."""
    t_ns = finding.where.time_ns
    at = clock_text(t_ns) if t_ns is not None else "-"
    role = OF_WEIGHT[finding.weight]
    return [(f"{finding.weight.mark} ", role), (f"{at:>9}  ", FAINT), (finding.summary, role)]


def draw_details(finding: Finding, columns: int) -> list[Line]:
    """Everything a finding says, its figures too, as a screen shows it."""
    t_ns = finding.where.time_ns
    when = "" if t_ns is None else f"  at {clock_text(t_ns)}"
    place = str(finding.where).partition(" at ")[0]
    head: Line = [
        (f"{finding.weight.mark} {finding.weight.word}", OF_WEIGHT[finding.weight]),
        (f"  {finding.code}", HEAD),
        (f"{when}  {place}", FAINT),
    ]
    lines: list[Line] = [
        *fold(head, columns, 2),
        *wrap(finding.summary, columns, PLAIN),
    ]
    for lead, text in _advice(finding):
        lines += wrap(f"{lead} {text}", columns, PLAIN, len(lead) + 1)
    lines += [[(line, PLAIN)] for line in finding.paste]
    if finding.figures:
        lines += wrap("; ".join(str(f) for f in finding.figures), columns, FAINT)
    return lines


def finding_block(finding: Finding, columns: int, *, details: bool = True) -> list[str]:
    """A finding on the command line: weight, code and place, the sentence, and why and what to do.

    Without ``details`` the last two are left out.
    """
    head = f"{finding.weight.mark} {finding.weight.word:<7} {finding.code}"
    where = str(finding.where)
    fits = len(head) + 2 + len(where) <= columns
    below = [INDENT + where]
    if len(where) > LONGEST_WORD:
        below = wrapped(where, columns, first=INDENT, rest=INDENT)
    lines = [f"{head}  {where}".rstrip()] if fits else [head, *below]
    lines += wrapped(finding.summary, columns, first=INDENT, rest=INDENT, figures=True)
    advice = [*_advice(finding), ("see:", _page(finding.code))] if details else []
    if finding.paste:  # goes on where "do:" ends
        advice.sort(key=lambda told: told[0] == "do:")
    for lead, text in advice:
        first = f"{INDENT}{lead:<5}"
        lines += wrapped(text, columns, first=first, rest=" " * len(first), figures=True)
    if details:
        lines += [INDENT + line for line in finding.paste]
    return lines


def finding_brief(finding: Finding, columns: int) -> list[str]:
    """A finding on the command line in short: mark, sentence and code."""
    told = f"{finding.summary} ({finding.code})"
    return wrapped(told, columns, first=f"{finding.weight.mark} ", rest="  ", figures=True)


def _page(code: str) -> str:
    """The page of the manual that helps; a code of somebody else's has none but the list."""
    from busplan.finding_codes import CODES, page_for

    return f"busplan manual {page_for(CODES[code])}" if code in CODES else "busplan manual"


def _advice(finding: Finding) -> list[tuple[str, str]]:
    return [(lead, t) for lead, t in (("why:", finding.why), ("do:", finding.action)) if t]
