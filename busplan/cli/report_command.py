"""``busplan report``: one paper of a build, for the customer and the file."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from busplan.cli.commission_command import JournalOption, exit_of, journal_beside
from busplan.cli.options import JsonOption
from busplan.cli.output import EXIT_OF_LIST, json_text, print_caution, print_json, say
from busplan.errors import UsageError
from busplan.wording import disarmed

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busplan.report.contents import Report
    from busplan.report.tables import Sheet

MOST_LIST = 2_000_000


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("report", epilog=EXIT_OF_LIST)(report)


def report(
    plan: Annotated[
        Path | None,
        typer.Argument(help="Plan file (TOML) with [[test]] tables.", show_default=False),
    ] = None,
    to: Annotated[
        Path | None,
        typer.Option("--to", help="The HTML file; JSON, tables and hashes are written beside it."),
    ] = None,
    journal: JournalOption = None,
    written_by: Annotated[str, typer.Option("--written-by", help="Who writes the report.")] = "",
    parquet: Annotated[bool, typer.Option("--parquet", help="The tables as Parquet, too.")] = False,
    verify: Annotated[
        Path | None,
        typer.Option("--verify", help="Check the files of this list of hashes, and end."),
    ] = None,
    among: Annotated[
        list[Path] | None,
        typer.Option(
            "--among", help="A folder where more of the listed files lie (captures); repeatable."
        ),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Write the report of a build, or check that its files are those of that day.

    The report tells what was built, every test with its proof, what was not shown, what was
    accepted and by whom. It is one HTML file that needs no network; print it for signing.

    Example: busplan report as_built.toml --to build.html
    """
    if verify is not None:
        _verify(verify, [verify.parent, *(among or ())], as_json)
        return
    if plan is None or to is None:
        raise UsageError("busplan report wants PLAN --to FILE.html (or --verify LIST)")
    if to.suffix.lower() not in (".html", ".htm"):
        raise UsageError(f"--to wants a file that ends with .html, not {str(to)!r}")
    told_in = journal or journal_beside(plan)
    made, written = write_report(plan, told_in, to, by=written_by, parquet=parquet)
    if as_json:
        print_json(
            {"verdict": made.verdict, "words": made.words, "files": [str(p) for p in written]}
        )
    else:
        say(made.words)
        for path in written:
            say(f"written: {path}", err=True)
        print_caution()
    raise typer.Exit(exit_of(made.commissioning))


def write_report(
    plan: Path, journal: Path, to: Path, *, by: str = "", parquet: bool = False
) -> tuple[Report, list[Path]]:
    """Write a report with all that lies beside it; the report, and the files."""
    from busplan.commission.journal_file import load_journal
    from busplan.commission.state import commissioning_of
    from busplan.plan.reader import load_plan, tests_beside
    from busplan.report.contents import Report
    from busplan.report.figures import plots_of
    from busplan.report.page import page_of

    vehicle = load_plan(plan)
    date = datetime.now(UTC).isoformat(timespec="minutes")
    made = Report(vehicle, commissioning_of(vehicle, load_journal(journal)), date, by)
    files = {to: page_of(made, plots_of(made)).encode()}
    files[to.with_suffix(".json")] = (json_text(made.as_dict()) + "\n").encode()
    written = [*_write(files), *_tables(made, to, parquet=parquet)]
    around = [p for p in (plan, tests_beside(plan), journal) if p.exists()]
    written.append(_hash_list(made, to.with_suffix(".sha256"), [*written, *around]))
    return made, written


def _write(files: dict[Path, bytes]) -> list[Path]:
    for path, data in files.items():
        try:
            path.parent.mkdir(parents=True, exist_ok=True)
            path.write_bytes(data)
        except OSError as error:
            raise UsageError(f"cannot write {path}: {error.strerror or error}") from None
    return list(files)


def _tables(made: Report, to: Path, *, parquet: bool) -> list[Path]:
    from busplan.report.tables import sheets_of
    from busplan.sheets.csv_text import csv_text

    written = []
    for sheet in sheets_of(made):
        path = to.with_name(f"{to.stem}-{sheet.name}.csv")
        written += _write({path: csv_text(sheet.title, sheet.head, sheet.rows).encode("utf-8-sig")})
        if parquet:
            written.append(_parquet(sheet, path.with_suffix(".parquet")))
    return written


def _parquet(sheet: Sheet, path: Path) -> Path:
    import pandas as pd

    columns = dict(zip(sheet.head, zip(*sheet.rows, strict=True), strict=False))
    try:
        pd.DataFrame(columns, columns=list(sheet.head)).to_parquet(path, index=False)
    except OSError as error:
        raise UsageError(f"cannot write {path}: {error.strerror or error}") from None
    return path


def _hash_list(made: Report, path: Path, files: Sequence[Path]) -> Path:
    """The list of hashes: of what was written, plan and journal, and of every capture entered."""
    from busplan.capture.checksum import sha256_of
    from busplan.report.hashes import list_text

    hashes = {f.name: sha256_of(f) for f in files}
    hashes |= {str(c["name"]): str(c["sha256"]) for _, c in made.captures}
    return _write({path: list_text(hashes).encode()})[0]


def _verify(listed: Path, folders: Sequence[Path], as_json: bool) -> None:
    from busplan.capture.checksum import sha256_of
    from busplan.files import read_whole
    from busplan.report.hashes import check, read_list, worst

    try:
        wanted = read_list(read_whole(listed, MOST_LIST).decode("utf-8"))
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not text"
        raise UsageError(f"cannot read {listed}: {reason}") from None
    here: dict[str, str] = {}
    for folder in folders:
        # A list names files, not places, and odd names as they are shown.
        files = sorted(folder.iterdir()) if folder.is_dir() else []
        for path in files:
            name = disarmed(path.name)
            if name in wanted and name not in here and path.is_file():
                here[name] = sha256_of(path)
    checked = check(wanted, here)
    if as_json:
        print_json([{"file": c.name, "answer": c.answer} for c in checked])
    else:
        for one in checked:
            mark = {"same": "+", "changed": "!", "not here": "?"}[one.answer]
            say(f"{mark} {one.name}: {one.answer}")
    raise typer.Exit(worst(checked))
