"""``busplan explain``: what the codes of findings mean."""

from __future__ import annotations

from itertools import groupby
from typing import Annotated

import typer

from busplan.cli.options import JsonOption
from busplan.cli.output import EXIT_OF_DATA, print_json, print_text, say


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("explain", epilog=EXIT_OF_DATA)(explain)


def _codes(incomplete: str) -> list[str]:
    """For completion in a shell."""
    from busplan.finding_codes import matching

    return [entry.code for entry in matching(f"{incomplete}*")]


def explain(
    codes: Annotated[
        list[str],
        typer.Argument(
            metavar="CODE...",
            help="Codes of findings, with wildcards if you like ('pack-*'), or 'all'.",
            autocompletion=_codes,
            show_default=False,
        ),
    ],
    as_json: JsonOption = False,
) -> None:
    """Explain findings: what a code means, how heavy it can be and why, what to do.

    Example: busplan explain identifier-clash
    """
    from busplan.errors import UsageError
    from busplan.finding_codes import CODES, ROOMS, matching, page_for
    from busplan.plan.problems import near_miss

    wanted = set()
    for code in codes:
        found = matching(code)
        if not found:
            hint = near_miss(code, CODES) or "; busplan explain all lists every one"
            raise UsageError(f'there is no code "{code}"{hint}')
        wanted |= {entry.code for entry in found}
    entries = [entry for entry in CODES.values() if entry.code in wanted]
    if as_json:
        print_json(
            {"rooms": ROOMS, "codes": [e.as_dict() | {"page": page_for(e)} for e in entries]}
        )
        return
    grouped = len(entries) > 1
    for room, members in groupby(entries, key=lambda e: e.room):
        if grouped:
            title = f"{room}: {ROOMS[room]}"
            say(title, "-" * len(title), "")
        for entry in members:
            say(f"{entry.code} ({entry.weights_in_words})")
            for lead, text in (
                ("", entry.meaning),
                ("weight: ", entry.decides),
                ("do:     ", entry.action),
                ("see:    ", f"busplan manual {page_for(entry)}"),
                ("from:   ", "" if grouped else f"{room}: {ROOMS[room]}"),
            ):
                if text:
                    print_text(text, lead=lead, indent=4)
            if grouped:
                say()
