"""``busplan cache``: the kept copies of captures."""

from __future__ import annotations

from typing import Annotated

import typer

from busplan.cli.options import JsonOption
from busplan.cli.output import EXIT_OF_DATA, print_json, print_table, say


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("cache", epilog=EXIT_OF_DATA)(cache)


def cache(
    clear: Annotated[
        bool,
        typer.Option("--clear", help="Remove kept copies, made demo captures and compiled parts."),
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Show or clear what busplan keeps to be quick the next time.

    That is copies of large captures, captures the demo has made, and compiled parts of busplan.
    BUSPLAN_CACHE_DIR moves the copies, BUSPLAN_CACHE_GB bounds them: those longest unused go first.
    Everything here is made again when it is needed.

    Example: busplan cache --clear
    """
    from pathlib import Path

    from busplan.capture import store
    from busplan.compiled_files import compiled_bytes, remove_compiled
    from busplan.demo.captures import demo_folder, remove_made

    folder, demo = store.cache_folder(), demo_folder()
    if clear:
        before = store.folder_bytes(demo) + compiled_bytes()
        remove_made()
        remove_compiled()
        freed = store.clear(folder) + before - store.folder_bytes(demo) - compiled_bytes()
        if as_json:
            print_json({"folder": str(folder), "demo_folder": str(demo), "freed_bytes": freed})
        else:
            say(f"{store.cache_root()} and compiled parts: {freed / 1e6:,.1f} MB freed")
            if stays := store.folder_bytes(folder):
                say(f"{stays / 1e6:,.1f} MB stay: in use, or not made by busplan")
        return
    kept = store.entries(folder)
    if as_json:
        print_json(
            {
                "folder": str(folder),
                "limit_bytes": store.limit_bytes(),
                "demo_folder": str(demo),
                "demo_bytes": store.folder_bytes(demo),
                "compiled_bytes": compiled_bytes(),
                "leftover_bytes": store.leftover_bytes(folder),
                "entries": [e.as_dict() for e in kept],
            }
        )
        return
    total = sum(e.bytes for e in kept)
    say(f"{folder}: {total / 1e6:,.1f} MB, at most {store.limit_bytes() / 1e6:,.0f} MB")
    if kept:
        print_table(
            ["capture", "frames", "MB", "last used (UTC)"],
            [
                [
                    ", ".join(Path(s).name for s in e.sources),
                    f"{e.frames:,}",
                    f"{e.bytes / 1e6:,.1f}",
                    f"{e.used_at:%Y-%m-%d %H:%M}",
                ]
                for e in kept
            ],
            right=frozenset({1, 2}),
            shrink=frozenset({0}),
        )
    if left := store.leftover_bytes(folder):
        say(
            f"{left / 1e6:,.1f} MB more: copies in the making or left by runs that were stopped; "
            "they go by themselves, or with --clear"
        )
    if made := store.folder_bytes(demo):
        say(f"{demo}: {made / 1e6:,.1f} MB, captures made by the demo")
    if compiled := compiled_bytes():
        say(f"{compiled / 1e6:,.1f} MB of compiled parts, beside busplan or in numba's cache")
