"""``busplan manual``: the manual, as a screen, as text, or as pages for a browser."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from busplan.cli.options import JsonOption
from busplan.cli.output import EXIT_OF_DATA, print_json, say, text_width
from busplan.errors import UsageError

if TYPE_CHECKING:
    from busplan.manual.book import Book, Hit, Place


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("manual", epilog=EXIT_OF_DATA)(manual)


def _page_names(incomplete: str) -> list[str]:
    """For completion in a shell."""
    from busplan.cli.app import COMMANDS
    from busplan.manual.written import CONTENTS

    written = [name for names in CONTENTS.values() for name in names]
    return [name for name in (*written, *COMMANDS) if name.startswith(incomplete)]


def manual(
    words: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="WORD...",
            help="A page, a command, a key of the plan, the code of a finding, or words to search "
            "for. Nothing: the list of pages.",
            autocompletion=_page_names,
            show_default=False,
        ),
    ] = None,
    to: Annotated[
        Path | None,
        typer.Option(
            help="Write the whole manual into this folder, for a browser without network."
        ),
    ] = None,
    replace: Annotated[
        bool, typer.Option("--replace", help="Write over pages that are there already.")
    ] = False,
    text: Annotated[bool, typer.Option("--text", help="Print the page and end.")] = False,
    as_json: JsonOption = False,
) -> None:
    """Read the manual: tutorials, how-tos, and everything that a plan or a finding may say.

    In a terminal as a screen with list, links and search; elsewhere, and with --text, as text.

    Example: busplan manual load_limit
    """
    from busplan.cli.manual_facts import gathered_facts
    from busplan.manual.book import Book

    book = Book(gathered_facts())
    if to is not None:
        if words:
            raise UsageError("--to writes the whole manual: leave the words out")
        _write(book, to, replace, as_json)
        return
    found = book.asked(words) if words else None
    if as_json:
        print_json(_document(book, found))
    elif text or not (sys.stdin.isatty() and sys.stdout.isatty()):
        _print(book, found)
    else:
        from busplan.screens.manual_app import ManualApp

        asked = " ".join(words or ())
        ManualApp(book, found if not isinstance(found, list) else None, asked).run()


def _print(book: Book, found: Place | list[Hit] | None) -> None:
    from busplan.manual.plain import plain_lines
    from busplan.text.runs import wrapped

    if isinstance(found, list):
        for hit in found:
            say(*wrapped(f"{hit.link}: {hit.section.heading}", text_width(), rest="    "))
            if hit.line:
                line = hit.line if len(hit.line) <= 160 else f"{hit.line[:159]}…"
                say(*wrapped(line, text_width(), first="    ", rest="    "))
        say("", "busplan manual PAGE shows a page, PAGE#HEADING a part of it.")
    else:
        say(*plain_lines(book.contents if found is None else found.text, text_width()))


def _document(book: Book, found: Place | list[Hit] | None) -> object:
    if found is None:
        return [
            {"page": page.name, "title": page.title, "group": page.group}
            for page in book.pages.values()
        ]
    if isinstance(found, list):
        return [{"place": h.link, "heading": h.section.heading, "line": h.line} for h in found]
    place = {"page": found.page.name, "heading": found.anchor}
    return {**place, "title": found.page.title, "markdown": found.text}


def _write(book: Book, folder: Path, replace: bool, as_json: bool) -> None:
    from busplan.manual.html import html_files
    from busplan.manual.written import PICTURES

    files: dict[str, bytes] = {name: text.encode() for name, text in html_files(book).items()}
    files |= {f"pictures/{p.name}": p.read_bytes() for p in sorted(PICTURES.iterdir())}
    there = [name for name in files if (folder / name).exists()]
    if there and not replace:
        raise UsageError(
            f"nothing written, because {folder / there[0]} is already there; "
            "choose another folder, or --replace"
        )
    try:
        (folder / "pictures").mkdir(parents=True, exist_ok=True)
        for name, data in files.items():
            (folder / name).write_bytes(data)
    except OSError as error:
        raise UsageError(f"cannot write {error.filename or folder}: {error.strerror}") from error
    if as_json:
        print_json({"folder": str(folder), "files": list(files)})
    else:
        say(f"{folder}: {len(files)} files; open index.html in any browser, no network is needed")
