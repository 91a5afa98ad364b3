"""``busplan propose``: a first plan from a folder of definitions, tables and captures."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from busplan.cli.options import JsonOption
from busplan.cli.output import EXIT_OF_DATA, print_json, print_table, print_text, say
from busplan.errors import CaptureError, PlanError, UsageError
from busplan.files import write_new

if TYPE_CHECKING:
    from busplan.definitions.dbc import Definitions
    from busplan.starting.heard import Channel
    from busplan.starting.material import Answers, Material, Question
    from busplan.starting.paper_table import PaperTable
    from busplan.starting.proposal import Proposal

DEEPEST = 3
"""Folders within folders that are looked into."""
MOST_FILES = 2_000
"""Files of a folder that are looked at."""
_SHOWN = 12


def register(app: typer.Typer) -> None:
    """Add the command."""
    app.command("propose", epilog=EXIT_OF_DATA)(propose)


def propose(
    folder: Annotated[
        Path, typer.Argument(help="Folder with DBC files, tables of messages (CSV) and captures.")
    ],
    out: Annotated[
        Path | None,
        typer.Option(help="Plan file to write, a new one. Default: plan.toml in the folder."),
    ] = None,
    plan: Annotated[
        Path | None,
        typer.Option(
            help="A plan that exists: print what new files of the folder would add to it."
        ),
    ] = None,
    ask: Annotated[
        bool | None,
        typer.Option("--ask/--no-ask", help="Ask what matters. Default: at a terminal."),
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Propose a first plan from a folder of parts: what files and captures give away.

    Which node of a DBC file is the part, which networks keep the parts apart, bit rates that
    captures show, routes that receivers need, the pack from names. Every guess in the plan stands
    beside its reason, every gap beside what to ask. Nothing that exists is written over.

    Example: busplan propose demo-files --out first.toml
    """
    if not folder.is_dir():
        what = "is no folder" if folder.exists() else "there is no such folder"
        raise UsageError(f"{folder}: {what}")
    if plan is not None:
        if out is not None:
            raise UsageError("--plan prints what to append; --out writes a new plan: choose one")
        _propose_more(folder, plan, as_json=as_json)
        return
    target = folder / "plan.toml" if out is None else out
    if target.exists():
        raise UsageError(
            f"{target} is already there and stays as it is: name a new file with --out, or see "
            f"what new files would add with --plan {target}"
        )
    material = _material(folder, target.parent)
    proposal = _with_answers(material, folder, target, ask=ask)
    write_new(target, proposal.text)
    if as_json:
        print_json({"written": str(target)} | proposal.as_dict())
        return
    _print(proposal)
    say("", f"{target}: written. Next: busplan check {target}")


def _with_answers(material: Material, folder: Path, target: Path, *, ask: bool | None) -> Proposal:
    """The proposal, with what a person at a terminal answers."""
    import sys

    from busplan.starting.proposal import propose as proposed

    name = folder.resolve().name or "vehicle"
    load = _loader(material, target.parent)
    proposal = proposed(material, name, load)
    wanted = sys.stdin.isatty() and sys.stdout.isatty() if ask is None else ask
    if not wanted:
        return proposal
    answers = _asked(name, proposal.questions)
    return proposed(material, name, load, answers)


def _asked(name: str, questions: tuple[Question, ...]) -> Answers:
    """Ask the questions; an empty answer takes what was guessed."""
    from busplan.starting.material import Answers

    def answer(text: str, default: str) -> str:
        return str(typer.prompt(text, default=default, err=True)).strip()

    vehicle = answer("What is the vehicle called?", name)
    counts: dict[str, int] = {}
    networks: dict[str, str] = {}
    for question in questions[:_SHOWN]:
        told = answer(question.text, question.default)
        if question.kind == "network":
            networks[question.about] = told
        elif told.isdecimal() and 1 <= int(told) <= 100:
            counts[question.about] = int(told)
    return Answers(vehicle, counts, networks)


def _propose_more(folder: Path, plan: Path, *, as_json: bool) -> None:
    """Print what the folder's files would add to a plan."""
    from busplan.plan.reader import load_plan, read_document
    from busplan.starting.proposal import additions

    vehicle = load_plan(plan)
    document, _ = read_document(plan)
    material = _material(folder, plan.parent, leave_out=plan)
    known = _definitions_named(document)
    text = plan.read_text(encoding="utf-8-sig")
    found = additions(material, text, vehicle, _loader(material, plan.parent), known)
    if found is None:
        print_text(
            f"{plan} has every definition file and every table of {folder} that can be used; "
            "nothing to add"
        )
        return
    added, proposal = found
    if as_json:
        print_json({"append": added} | proposal.as_dict())
        return
    say(*added.strip("\n").split("\n"))
    for file, reason in proposal.unused:
        print_text(f"{file}: {reason}", lead="not used: ", err=True)
    print_text(f"Append what you agree with to {plan}; nothing has been written.", err=True)


def _definitions_named(document: dict[str, object]) -> set[str]:
    """The definition files that a plan's parts name, however they are written."""
    found: set[str] = set()
    waiting: list[object] = [document.get("part", {})]
    while waiting:
        one = waiting.pop()
        if isinstance(one, dict):
            files = one.get("definitions", [])
            found |= {f for f in ([files] if isinstance(files, str) else files) if f}
            waiting += [v for k, v in one.items() if k != "message"]
    return {Path(f).as_posix() for f in found}


def _loader(material: Material, base: Path):  # type: ignore[no-untyped-def]
    """Definition files as the plan names them, read once."""
    by_name = {material.names[d.file]: d for d in material.definitions}

    def load(path: Path) -> Definitions:
        from busplan.definitions.dbc import load_dbc

        found = by_name.get(path.as_posix())
        return load_dbc(base / path) if found is None else found

    return load


def _material(folder: Path, base: Path, leave_out: Path | None = None) -> Material:
    """Everything of a folder that can be read; paths in the plan are relative to ``base``."""
    import os

    from busplan.definitions.dbc import load_dbc
    from busplan.starting.material import Material

    definitions: list[Definitions] = []
    tables: list[PaperTable] = []
    channels: list[Channel] = []
    unused: list[tuple[str, str]] = []
    names: dict[str, str] = {}
    captures: list[Path] = []
    for path in _files(folder):
        told = path.relative_to(folder).as_posix()
        if path.suffix.lower() == ".dbc":
            try:
                one = load_dbc(path)
            except PlanError as error:
                unused.append((told, error.problems[0].text if error.problems else str(error)))
                continue
            names[one.file] = Path(os.path.relpath(path, base)).as_posix()
            definitions.append(one)
        elif table := _table(path, told):
            tables.append(table)
        elif path != leave_out and path.suffix.lower() != ".toml" and _is_capture(path):
            captures.append(path)
        elif path.suffix.lower() in (".csv", ".tsv"):
            unused.append((told, "nothing in it can be read as a table or a capture"))
    for path in captures:
        try:
            channels += _heard(path, path.relative_to(folder).as_posix())
        except CaptureError as error:
            told = path.relative_to(folder).as_posix()
            unused.append((told, _why_unread(path, str(error))))
    return Material(tuple(definitions), names, tuple(tables), tuple(channels), tuple(unused))


def _files(folder: Path) -> list[Path]:
    """The ordinary files of a folder, three levels deep, hidden ones left out."""
    found: list[Path] = []
    waiting = [(folder, 0)]
    while waiting:
        here, depth = waiting.pop(0)
        try:
            inside = sorted(here.iterdir())
        except OSError:
            continue
        for path in inside:
            if path.name.startswith("."):
                continue
            if path.is_dir() and not path.is_symlink() and depth < DEEPEST:
                waiting.append((path, depth + 1))
            elif path.is_file():
                found.append(path)
                if len(found) > MOST_FILES:
                    raise UsageError(
                        f"{folder} holds more than {MOST_FILES} files: name a folder that holds "
                        "only what belongs to the vehicle"
                    )
    return found


def _table(path: Path, told: str) -> PaperTable | None:
    """A table of messages, or ``None`` when the file is something else."""
    from busplan.definitions.source import decode_text
    from busplan.files import read_whole
    from busplan.starting.paper_table import LARGEST, read_table

    if path.suffix.lower() not in (".csv", ".tsv", ".txt"):
        return None
    try:
        text = decode_text(read_whole(path, LARGEST), told)[0]
    except (OSError, PlanError):
        return None
    return read_table(text, told)


def _why_unread(path: Path, error: str) -> str:
    """Why a capture was left out, without its path and without options this command lacks."""
    if "it is not clear which columns" in error:
        return "its headings are neither those of a table of messages nor those of a capture"
    reason, _, told = error.split("\n")[0].removeprefix(f"{path}: ").partition("; say it with ")
    return f"{reason}; busplan cut writes it as a log with {told}" if told else reason


def _is_capture(path: Path) -> bool:
    """Whether a file looks like a capture."""
    from busplan.capture.formats import recognise

    try:
        recognise(path)
    except (CaptureError, OSError):
        return False
    return True


def _heard(path: Path, told: str) -> Iterator[Channel]:
    """The channels of a capture."""
    from busplan.cli.captures import open_capture
    from busplan.starting.heard import listen

    yield from listen(told, open_capture([path]).frames)


def _print(proposal: Proposal) -> None:
    """What the plan holds, what is open and what was not used."""
    from busplan.wording import counted

    nodes = proposal.vehicle.nodes
    say(
        f"{counted(len(proposal.networks), 'network')}, {counted(len(nodes), 'node')}, "
        f"{counted(len(proposal.routes), 'route')} proposed",
        "",
    )
    print_table(
        ["network", "kbit/s", "from", "nodes", "on it"],
        [
            [
                n.name,
                f"{n.bit_rate.value / 1000:g}"
                + (f"/{n.data_bit_rate.value / 1000:g}" if n.data_bit_rate else ""),
                n.bit_rate.remark.split(":")[0].split(" by ")[0],
                str(len(proposal.vehicle.nodes_on(n.name))),
                ", ".join(x.name for x in proposal.vehicle.nodes_on(n.name)),
            ]
            for n in proposal.networks
        ],
        right=frozenset({1, 3}),
        shrink=frozenset({0, 4}),
    )
    say()
    for gap in proposal.gaps:
        print_text(gap, lead="open: ")
    for file, reason in proposal.unused[:_SHOWN]:
        print_text(f"{file}: {reason}", lead="not used: ")
    if len(proposal.unused) > _SHOWN:
        print_text(f"and {len(proposal.unused) - _SHOWN} more; all are told in the plan")
