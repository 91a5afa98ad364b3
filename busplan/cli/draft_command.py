"""``busplan draft``: definitions from captures and notes, added to what people have edited."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from busplan.cli.captures import AS_RECORDED, CaptureFiles, Opening, opens_captures
from busplan.cli.options import JsonOption, NetworkOrChannel
from busplan.cli.output import (
    EXIT_OF_READING,
    exit_by_reading,
    print_findings,
    print_json,
    print_table,
    print_text,
    say,
)
from busplan.errors import UsageError

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busplan.definitions.model import Message
    from busplan.traffic.edited import Impossible, Merged

_SHOWN = 40


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("draft", epilog=EXIT_OF_READING)(draft)


@opens_captures
def draft(
    captures: CaptureFiles,
    to: Annotated[Path | None, typer.Option(help="New DBC file to write.")] = None,
    base: Annotated[
        Path | None,
        typer.Option(help="DBC file as edited so far; its messages stay as they are."),
    ] = None,
    notes: Annotated[
        list[Path] | None,
        typer.Option(help="Table of messages on paper (CSV: identifier, name, period, signals)."),
    ] = None,
    network: NetworkOrChannel = None,
    opening: Opening = AS_RECORDED,
    as_json: JsonOption = False,
) -> None:
    """Draft definitions of what captures hold, and tell which recorded values are impossible.

    Messages that --base or --notes do not describe are drafted: period, length, likely signals,
    counters, checksums and pages, marked as drafts with a confidence. What people have edited
    stays, comments included. Without --to nothing is written.

    Example: busplan draft captures/bench_charger_short.log.gz --base dbc_examples/charger.dbc
    --to charger_draft.dbc
    """
    from busplan.definitions.dbc import load_dbc
    from busplan.findings import Weight
    from busplan.plan.problems import suggestion
    from busplan.traffic.draft import draft_messages
    from busplan.traffic.edited import impossible_values, merged, unknown_keys
    from busplan.traffic.survey import survey_identifier

    if to is not None and to.suffix.lower() != ".dbc":
        raise UsageError(f"{to}: a draft with what was edited is a .dbc file")
    if to is None and base is None and not notes:
        raise UsageError("name a new file with --to, or what to compare with by --base")
    known = load_dbc(base) if base is not None else None
    noted = [m for path in notes or () for m in _notes(path)]
    capture, _, _ = opening.open_rated(captures, None, None)
    frames = capture.frames
    existing = known.messages if known is not None else ()
    for name in network or ():
        if name not in frames.networks:
            near = suggestion(name, frames.networks, "network")
            raise UsageError(f'the capture has no network "{name}"{near}')
    keys = unknown_keys(frames, network or (), existing)
    found = [survey_identifier(frames, key, frames.groups[key]) for key in keys]
    sender = "part" if to is None else "_".join(to.stem.split()) or "part"
    whole = merged(existing, noted, draft_messages(frames, found, sender))
    wrong = impossible_values(frames, whole.messages)
    if to is not None:
        _write(to, whole.messages, known.nodes if known is not None else ())
    doubts = [*capture.findings, *(known.findings if known is not None else ())]
    doubts = [f for f in doubts if f.weight > Weight.NOTE]
    if as_json:
        print_json(_document(whole, wrong, to) | {"findings": [f.as_dict() for f in doubts]})
    else:
        _print(whole, wrong, to)
        print_findings(doubts, err=True)
    raise typer.Exit(exit_by_reading(doubts))


def _write(target: Path, messages: Sequence[Message], nodes: Sequence[str]) -> None:
    """Write a new DBC file; one that is there stays as it is."""
    from busplan.definitions.writing import dbc_bytes, dbc_text
    from busplan.files import write_new
    from busplan.wording import CAUTION

    comment = f"Definitions with drafts made from captures. {CAUTION}"
    write_new(target, dbc_bytes(dbc_text(messages, nodes, comment=comment)))


def _notes(path: Path) -> Sequence[Message]:
    """The messages of a table on paper; rows that cannot be read are told."""
    from busplan.definitions.source import decode_text
    from busplan.files import read_whole
    from busplan.starting.paper_table import LARGEST, read_table

    try:
        text = decode_text(read_whole(path, LARGEST), str(path))[0]
    except OSError as error:
        raise UsageError(f"{path}: cannot be read: {error.strerror}") from error
    table = read_table(text, str(path))
    if table is None:
        raise UsageError(
            f"{path} is no table of messages: its first line must name the columns, at least "
            "identifier and one of bytes, period, name or signal"
        )
    for doubt in table.doubts:
        print_text(f"{path}: {doubt}", lead="not used: ", err=True)
    for told in table.taken:
        print_text(f"{path}: {told}", lead="taken: ", err=True)
    return table.messages


def _document(whole: Merged, wrong: Sequence[Impossible], to: Path | None) -> dict[str, object]:
    from dataclasses import asdict

    return {
        "written": None if to is None else str(to),
        "kept": whole.kept,
        "from_notes": whole.noted,
        "drafted": [
            {
                "name": m.name,
                "identifier": m.label,
                "bytes": m.length,
                "period_ms": None if m.cycle is None else m.cycle.ms,
                "on_event": m.event,
                "signals": [s.name for s in m.signals],
                "confidence": m.confidence,
            }
            for m in whole.messages
            if m.confidence is not None
        ],
        "impossible": [asdict(w) for w in wrong],
    }


def _print(whole: Merged, wrong: Sequence[Impossible], to: Path | None) -> None:
    from busplan.wording import counted, plain

    told = counted(len(whole.messages), "message")
    say(f"{told}: {whole.kept} kept, {whole.noted} from notes, {whole.drafted} drafted")
    drafts = [m for m in whole.messages if m.confidence is not None]
    if drafts:
        say()
        print_table(
            ["draft", "identifier", "bytes", "ms", "signals", "confidence"],
            [
                [
                    m.name,
                    m.label,
                    str(m.length),
                    "-" if m.cycle is None else f"{m.cycle.ms:g}" + (" event" if m.event else ""),
                    str(len(m.signals)),
                    f"{m.confidence:.2f}",
                ]
                for m in drafts
            ],
            right=frozenset({2, 3, 4, 5}),
            shrink=frozenset({0}),
        )
    if wrong:
        say("", "impossible values:")
        print_table(
            ["signal", "values", "of", "least", "most", "why"],
            [
                [
                    f"{w.message}/{w.signal}",
                    str(w.values),
                    str(w.of),
                    plain(w.least, 10),
                    plain(w.most, 10),
                    w.reason,
                ]
                for w in wrong[:_SHOWN]
            ],
            right=frozenset({1, 2, 3, 4}),
            shrink=frozenset({0, 5}),
        )
        if len(wrong) > _SHOWN:
            say(f"  and {len(wrong) - _SHOWN} more; --json has all")
    else:
        say("", "no recorded value contradicts these definitions;")
        say("lengths and periods are not compared here: busplan bench does")
    if to is not None:
        say("", f"{to}: written")
