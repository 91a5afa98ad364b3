"""``busplan note``: something that somebody saw or did, kept beside a capture."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from busplan.cli.options import JsonOption
from busplan.cli.output import EXIT_OF_DATA, say


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("note", epilog=EXIT_OF_DATA)(note)


def note(
    capture: Annotated[
        Path, typer.Argument(metavar="CAPTURE", help="A capture, also one still being recorded.")
    ],
    words: Annotated[
        list[str] | None,
        typer.Argument(metavar="[TEXT]", help="What to note. Without it: print the notes."),
    ] = None,
    at: Annotated[
        float | None,
        typer.Option(help="Seconds from the first frame. Default: this moment of the clock."),
    ] = None,
    by: Annotated[
        str | None, typer.Option(help="Who notes it. Default: the user's name here.")
    ] = None,
    signal: Annotated[str, typer.Option(help="The signal it is about, by its full name.")] = "",
    as_json: JsonOption = False,
) -> None:
    """Note something at a moment of a capture, or print its notes.

    Works beside a running recording: the note gets the time of this call. Notes are kept in
    CAPTURE.notes.toml and shown in replay, findings and reports.

    Example: busplan note run.log "camera reads 41 °C at the manifold"
    """
    from busplan.board.desk import keep_note
    from busplan.board.notes import LONGEST, Note, parse_notes
    from busplan.capture.beside import belongs, notes_path, read_text, user_name
    from busplan.capture.read import read_capture
    from busplan.cli.output import print_json
    from busplan.errors import UsageError
    from busplan.text.board_text import note_lines
    from busplan.text.runs import text

    if not capture.is_file():
        raise UsageError(f"{capture}: there is no such capture")
    said = " ".join(words or ()).strip()
    if said and at is None:
        import time

        if len(said) > LONGEST:
            raise UsageError(f"a note has {LONGEST} characters at most")
        made = Note(0, said, user_name() if by is None else by, signal, time.time_ns())
        keep_note(capture, made, epoch=True)
        say(f"noted at {_clock(made.recorded_ns)} in {notes_path(capture)}")
        return
    table = read_capture([capture], cache=False).frames
    if said:
        assert at is not None
        if not 0 <= at <= table.span_ns / 1e9:
            raise UsageError(
                f"--at {at:g} lies outside the capture (0 to {table.span_ns / 1e9:.1f} s)"
            )
        t_ns = round(at * 1e9)
        who = user_name() if by is None else by
        keep_note(capture, Note(t_ns, said, who, signal, table.origin_ns + t_ns), epoch=table.epoch)
        say(f"noted at {at:g} s in {notes_path(capture)}")
        return
    path = notes_path(capture)
    found = parse_notes(read_text(path), table.origin_ns, str(path))
    mine = belongs(capture, found.head_bytes, found.head_sha256)
    if as_json:
        notes = [n.as_dict() for n in found.notes]
        print_json({"capture": str(capture), "belongs": mine, "notes": notes})
        raise typer.Exit(0 if mine else 1)
    if not found.notes:
        say("no notes")
    for line in note_lines(found.notes, 100):
        say(text(line))
    if not mine:
        say(f"! {path} was made beside another capture than {capture}", err=True)
        raise typer.Exit(1)


def _clock(time_ns: int) -> str:
    from busplan.wording import moment_text

    return moment_text(time_ns, epoch=True)
