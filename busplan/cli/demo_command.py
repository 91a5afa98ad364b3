"""``busplan demo``: the invented van on screen, or its files in a folder."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from busplan.cli.options import FactsAsJson, MomentOption, TextOption
from busplan.cli.output import EXIT_OF_DATA, say

Form = Literal["screen", "text", "json"]


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("demo", epilog=EXIT_OF_DATA)(demo)


def demo(
    to: Annotated[
        Path | None,
        typer.Option(help="Write DBC files, plans and captures into this folder and end."),
    ] = None,
    show: Annotated[
        str | None,
        typer.Option(metavar="NAME", help="Open this capture. Default: warm-up."),
    ] = None,
    names: Annotated[
        bool, typer.Option("--list", help="List the captures: what happens, what is planted.")
    ] = False,
    story: Annotated[
        Path | None,
        typer.Option(
            help="Commission the van into this new folder, journal and report included, and end."
        ),
    ] = None,
    only: Annotated[
        str | None, typer.Option(metavar="NAME", help="With --to: only this capture.")
    ] = None,
    seed: Annotated[int, typer.Option(min=0, help="Another seed makes another day.")] = 1,
    healthy: Annotated[
        bool, typer.Option("--healthy", help="Leave out every planted fault: a good day.")
    ] = False,
    short: Annotated[
        bool, typer.Option("--short", help="With --to: only the short cuts that ship too.")
    ] = False,
    at: MomentOption = None,
    text: TextOption = False,
    as_json: FactsAsJson = False,
) -> None:
    """Show the invented demo van Magpie, or write its files.

    Opens the replay screens on the warm-up capture, or on the one that --show names (--list tells
    which there are); without a terminal, or with --text, prints the same facts. The capture is made
    on first use, by busplan's own bus simulation.

    Example: busplan demo --show gun-warm-up
    """
    import sys

    from busplan.demo.captures import demo_capture
    from busplan.errors import UsageError

    if names:
        _list(as_json)
        return
    if story is not None:
        _tell(story)
        return
    if to is not None and show is not None:
        raise UsageError("--show opens a capture, --to writes files: choose one of them")
    for name in filter(None, (only, show)):
        demo_capture(name, healthy=healthy)
    if to is not None:
        _write(to, only, seed, healthy, short)
        return
    if only is not None:
        raise UsageError(f"--only goes with --to FOLDER; to open it: --show {only}")
    if short:
        raise UsageError("--short goes with --to FOLDER")
    terminal = sys.stdin.isatty() and sys.stdout.isatty()
    form: Form = "json" if as_json else "text" if text or not terminal else "screen"
    _show(show or "warm-up", seed, at, form, healthy=healthy)


def _list(as_json: bool) -> None:
    """Print what captures there are."""
    from busplan.cli.output import print_json, print_text
    from busplan.demo.captures import CAPTURES
    from busplan.demo.files import about_captures

    about = about_captures()
    if as_json:
        print_json(
            {
                "invented": True,
                "captures": [
                    {
                        "name": c.name,
                        "title": c.title,
                        "seconds": c.duration_s,
                        "plan": f"{c.plan}.toml",
                        "healthy": c.has_healthy,
                        "planted": list(about[c.name]["planted"]),
                    }
                    for c in CAPTURES.values()
                ],
            }
        )
        return
    for capture in CAPTURES.values():
        length = (
            f"{capture.duration_s:g} s"
            if capture.duration_s < 120
            else (f"{capture.duration_s / 60:g} min")
        )
        print_text(f"{capture.name}  {capture.title}; {length}, plan {capture.plan}.toml")
        for fact in about[capture.name]["planted"]:
            print_text(fact, lead="- ", indent=2)
    say("All of it invented. busplan demo --show NAME opens one.")


def _tell(folder: Path) -> None:
    """The whole story in a folder: captures, journal, report."""
    from busplan.cli.report_command import write_report
    from busplan.demo.story import BY, LATER, commission

    plan = commission(folder, later=LATER, tell=lambda text: say(text, err=True))
    made, written = write_report(plan, plan.with_suffix(".journal"), folder / "report.html", by=BY)
    say(made.words)
    for path in written:
        say(f"written: {path}", err=True)
    say(f"{folder}  all of it invented; busplan commission {plan} shows the list")
    say(f"14 months later: busplan commission {plan} {folder / LATER.file} --drift")


def _write(folder: Path, only: str | None, seed: int, healthy: bool, short: bool) -> None:
    """Write everything into a folder; nothing in it is overwritten."""
    import shutil

    from rich.console import Console
    from rich.progress import Progress

    from busplan.demo.captures import CAPTURES, capture_name, write_capture
    from busplan.demo.files import definition_files
    from busplan.errors import UsageError

    names = [only] if only else [n for n, c in CAPTURES.items() if c.has_healthy or not healthy]
    files = {folder / f.name: f for f in definition_files()}
    captures = {folder / capture_name(name, short=short): name for name in names}
    there = [str(path) for path in (*files, *captures) if path.exists()]
    if there:
        raise UsageError(
            f"nothing written, because {there[0]} is already there; choose a new folder"
        )
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for path, source in files.items():
            shutil.copyfile(source, path)
        with Progress(console=Console(stderr=True), transient=True) as progress:
            task = progress.add_task("", total=len(captures))
            for path, name in captures.items():
                progress.update(task, description=f"making {name}")
                frames = write_capture(name, path, seed=seed, healthy=healthy, short=short)
                size = path.stat().st_size
                title = CAPTURES[name].title
                say(f"{path}  {len(frames)} frames, {_size(size)}. {title}.")
                progress.advance(task)
    except OSError as error:
        raise UsageError(f"cannot write to {folder}: {error.strerror}") from error
    say(f"{folder}  {len(files)} DBC files and plans; all of it invented")


def _size(size: int) -> str:
    """A size in the unit that fits."""
    return f"{size / 1e6:.1f} MB" if size >= 1_000_000 else f"{size / 1e3:.0f} kB"


def _show(name: str, seed: int, at: float | None, form: Form, *, healthy: bool) -> None:
    """Open the screens on a capture, or print what they would show."""
    from rich.console import Console

    from busplan.capture.capture import apply_plan
    from busplan.capture.read import read_capture
    from busplan.cli.output import print_text
    from busplan.demo.captures import CAPTURES, cached_capture
    from busplan.demo.files import about_captures, plan_file
    from busplan.plan.reader import load_plan
    from busplan.replay.opening import completed, first_replay

    console = Console(stderr=True)
    with console.status(f"making the {name} capture (first use only)"):
        path = cached_capture(name, seed=seed, healthy=healthy)
    with console.status(f"opening {path.name}"):
        vehicle = load_plan(plan_file(CAPTURES[name].plan))
        opened = first_replay(apply_plan(read_capture(path), vehicle), vehicle)
        if form != "screen":
            opened = completed(opened)
    if form == "screen":
        from busplan.board.desk import BoardDesk
        from busplan.screens.start import run_replay

        run_replay(opened, start_ns=round((at or 0.0) * 1e9), screen="board", desk=BoardDesk())
        return
    from busplan.cli.printed_screen import print_screen
    from busplan.replay.asked import Asked

    asked = Asked(opened, opened.span_ns if at is None else round(at * 1e9))
    planted = [] if healthy else about_captures()[name]["planted"]
    if form == "json":
        print_screen(asked, "pack", as_json=True, planted=planted)
        return
    print_screen(asked, "pack", as_json=False)
    if planted:
        say("Planted in this capture (invented):")
    else:
        say("Nothing is planted in this capture (invented).")
    for fact in planted:
        say(f"- {fact}")
    others = ", ".join(n for n in CAPTURES if n != name)
    print_text(f"Other captures (busplan demo --show NAME): {others}")
