"""``busplan bench --batch``: the records of a folder, as a table, JSON and HTML."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from busplan.bench.batch import Batch


def show_batch(folder: Path, out: Path | None, *, as_json: bool) -> int:
    """Summarise ``folder``; with ``out`` also into files there. Returns the exit code."""
    from busplan.bench.batch import summarise
    from busplan.bench.batch_page import batch_html
    from busplan.cli.bench_records import keep_files, read_records
    from busplan.cli.output import exit_code, json_text, print_json
    from busplan.errors import UsageError

    documents, odd = read_records(folder)
    if not documents:
        raise UsageError(f"{folder}: holds no records of busplan bench (bench-*.json)")
    found = summarise(documents, odd)
    if out is not None:
        texts = {"json": json_text(found.as_dict()) + "\n", "html": batch_html(found)}
        keep_files(out, "batch", texts)
    if as_json:
        print_json(found.as_dict())
    else:
        _print(found)
    return exit_code(found.findings)


def _print(found: Batch) -> None:
    from busplan.bench.batch_page import RECORD_HEAD, SPREAD_HEAD, record_rows, spread_rows
    from busplan.cli.output import print_findings, print_table, print_text, say

    print_text(found.headline)
    say()
    print_table(list(RECORD_HEAD), record_rows(found), right=frozenset((4, 5)))
    say()
    print_table(list(SPREAD_HEAD), spread_rows(found), right=frozenset((1, 2, 3, 4)))
    say()
    print_findings(found.findings)
    if found.odd:
        print_text(f"no records: {', '.join(found.odd)}")
