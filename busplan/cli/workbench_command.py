"""``busplan workbench``: one identifier bit by bit, held against a signal that is known."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from busplan.cli.captures import AS_RECORDED, CaptureFiles, Opening, PlanOption, opens_captures
from busplan.cli.options import JsonOption
from busplan.cli.output import EXIT_OF_READING, say

if TYPE_CHECKING:
    from busplan.board.workbench import Bench
    from busplan.findings import Finding
    from busplan.traffic.workbench import Field


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("workbench", epilog=EXIT_OF_READING)(workbench)


@opens_captures
def workbench(
    captures: CaptureFiles,
    identifier: Annotated[
        str, typer.Option(help="0x and three digits, or eight for 29 bits; NETWORK/0x123 too.")
    ],
    plan: PlanOption = None,
    opening: Opening = AS_RECORDED,
    bits: Annotated[
        str | None,
        typer.Option(help="A field, START:LENGTH, with :big for big-endian, :signed for signed."),
    ] = None,
    against: Annotated[
        str | None, typer.Option(help="A signal of the plan to hold every field against.")
    ] = None,
    second: Annotated[
        Path | None, typer.Option(help="A second capture of the same vehicle, to confirm by.")
    ] = None,
    span: Annotated[str | None, typer.Option("--within", help="Only from A:B in seconds.")] = None,
    save: Annotated[
        Path | None,
        typer.Option(help="Write the field as a draft for a plan's part into this new TOML file."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Look into a message bit by bit, defined or not, and find where a known signal is in it.

    Shows how often each bit moves. With --bits the values of a field; with --against every field
    that follows a known signal equally well, with scale and offset. It calls none of them found
    below r = 0.995, when the signal turned fewer than six times, or before a second capture agrees.

    Example: busplan workbench captures/drive_short.log.gz --identifier 0x120 --bits 0:16
    """
    from busplan.board.workbench import draft_text, open_bench
    from busplan.cli.captures import parse_identifier
    from busplan.cli.numbers import span_ends
    from busplan.cli.output import (
        exit_by_reading,
        print_caution,
        print_findings,
        print_json,
        text_width,
    )
    from busplan.errors import UsageError
    from busplan.files import write_new
    from busplan.plan.reader import load_plan
    from busplan.replay.opening import first_replay, replay_without_plan
    from busplan.text.runs import text
    from busplan.text.workbench_draw import draw_bits, draw_field, draw_held

    network, _, digits = identifier.rpartition("/")
    key = parse_identifier(digits)
    vehicle = load_plan(plan) if plan else None
    if against is not None and vehicle is None:
        raise UsageError("--against names a signal of a plan; give --plan too")
    if second is not None and against is None:
        raise UsageError("--second confirms what --against finds; give both")

    def opened(files: Sequence[Path]) -> Bench:
        capture = opening.open(files, vehicle)
        shown = first_replay(capture, vehicle) if vehicle else replay_without_plan(capture, {})
        doubts.extend(f for f in shown.doubts if f not in doubts)
        ends = None if span is None else span_ends(span)
        return open_bench(shown, *key, network=network, within_s=ends)

    doubts: list[Finding] = []
    bench = opened(captures)
    field = None if bits is None else _field(bits, bench.width)
    held = None
    if against is not None:
        held = bench.held_against(against, opened([second]) if second else None)
        field = field or (held.fits[0].field if held.fits else None)
    if save is not None:
        if field is None:
            raise UsageError("--save needs a field: give --bits or --against")
        write_new(save, draft_text(bench, field, held))
    if as_json:
        document = bench.as_dict(field, held)
        print_json({**document, "findings": [f.as_dict() for f in doubts]})
        raise typer.Exit(exit_by_reading(doubts))
    print_caution()
    columns = max(80, text_width())
    for line in draw_bits(bench, field, columns):
        say(text(line))
    if field is not None:
        say()
        for line in draw_field(bench, field, columns, 12):
            say(text(line))
    if held is not None:
        say("", *(text(line) for line in draw_held(held, against or "", MOST_SHOWN)))
    if save is not None:
        say(f"wrote a draft to {save}; put it into the plan and confirm it", err=True)
    print_findings(doubts, details=False)
    raise typer.Exit(exit_by_reading(doubts))


def _field(typed: str, width: int) -> Field:
    from busplan.errors import UsageError
    from busplan.traffic.workbench import Field

    start, _, rest = typed.partition(":")
    length, *words = rest.split(":")
    good = start.isdigit() and length.isdigit() and set(words) <= {"big", "signed"}
    if not (good and 1 <= int(length) <= 64 and int(start) < 8 * width):
        raise UsageError(
            f"--bits wants START:LENGTH, with :big or :signed, inside {8 * width} bits; "
            f"not {typed!r}"
        )
    field = Field(int(start), int(length), "big" in words, "signed" in words)
    if not field.fits(width):
        raise UsageError(f"--bits {typed}: the field reaches over the end of the message")
    return field


MOST_SHOWN = 12
"""Equally good fields that are printed; ``--json`` has them all."""
