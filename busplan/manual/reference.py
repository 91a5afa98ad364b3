"""Reference pages, made from the tables that busplan works by: codes, formats, commands, names."""

from __future__ import annotations

import inspect
import re
from collections.abc import Iterable, Iterator

from busplan.finding_codes import CODES, ROOMS, FindingCode, page_for
from busplan.manual.facts import Command, Facts, Parameter, PublicName
from busplan.manual.page import Page, escaped_markdown
from busplan.manual.plan_keys import board_page, plan_pages

COMMANDS = "Reference: commands"
CODES_OF_FINDINGS = "Reference: codes of findings"
REST = "Reference: Python and formats"


def reference_pages(facts: Facts) -> list[Page]:
    """Every page that is made, in the order of the list."""
    return [
        *command_pages(facts.commands),
        *plan_pages(),
        board_page(),
        *code_pages(),
        python_page(facts.names),
        formats_page(),
    ]


def command_pages(commands: Iterable[Command]) -> Iterator[Page]:
    """One page a command, named like it."""
    for command in commands:
        yield Page(command.name, COMMANDS, _command(command))


def _command(command: Command) -> str:
    lines = [f"# busplan {command.name}", "", *_call(command)]
    for title, wanted in (("Arguments", False), ("Options", True)):
        given = [p for p in command.parameters if p.is_option is wanted]
        if given:
            lines += [f"## {title}", ""]
        for parameter in given:
            lines += _parameter(parameter)
    lines += ["## Exit codes", "", escaped_markdown(command.epilog), ""]
    for sub in command.below:
        lines += [f"## busplan {sub.name}", "", *_call(sub)]
        for parameter in sub.parameters:
            lines += _parameter(parameter)
    return "\n".join(lines)


def _call(command: Command) -> Iterator[str]:
    """What a command does, an example, and how it is called."""
    for paragraph in re.split(r"\n\s*\n", command.help.strip()):
        one = " ".join(paragraph.split())
        before, is_example, call = one.partition("Example: ")
        if is_example and not before:
            yield from ("Example:", "", "```console no-run: paths of a copy of the repository")
            yield from (call, "```", "")
        else:
            yield from (escaped_markdown(one), "")
    yield from (f"Usage: `{command.usage}`", "")


def _parameter(told: Parameter) -> list[str]:
    names = " or ".join(f"`{name}`" for name in told.names)
    form = [f"Form: `{told.form}`"] if " " in told.form.replace(", ", ",") else []
    text = escaped_markdown(told.help)
    return [f"### {names}", "", text, "", *(form and [*form, ""])]


def code_pages() -> Iterator[Page]:
    """One page a room: what each of its codes means."""
    for room, occasion in ROOMS.items():
        entries = [entry for entry in CODES.values() if entry.room == room]
        lines = [f"# Codes: {occasion}", ""]
        lines += ["What each finding says, how heavy it can be, and what to do in general. The "]
        lines[-1] += "finding itself says it for its own place, with its figures."
        lines += [""]
        for entry in entries:
            lines += _code(entry)
        yield Page(f"codes-{room}", CODES_OF_FINDINGS, "\n".join(lines))


def _code(entry: FindingCode) -> list[str]:
    weight = f"Weight: {entry.weights_in_words}. {escaped_markdown(entry.decides)}".rstrip()
    page = page_for(entry)
    return [
        *(f"## {entry.code}", "", escaped_markdown(entry.meaning), ""),
        *(weight, "", f"Do: {escaped_markdown(entry.action)}", ""),
        *(f"Read: [{page}]({page}.md)", ""),
    ]


def python_page(names: Iterable[PublicName]) -> Page:
    """Every public name with its docstring."""
    lines = ["# Python: what import busplan gives", ""]
    lines += ["Everything else below `busplan` is private. How to use it in a notebook:"]
    lines += ["[notebook](notebook.md).", ""]
    for one in names:
        lines += [f"## {one.name}", ""]
        if one.signature:
            lines += ["```python no-run: a signature", f"{one.name}{one.signature}", "```", ""]
        lines += [*_docstring(one.docstring), ""]
    return Page("python", REST, "\n".join(lines))


def _docstring(text: str) -> Iterator[str]:
    """A docstring as Markdown: running text, and what is indented or an example as it stands."""
    for block in re.split(r"\n\s*\n", inspect.cleandoc(text)):
        if block.startswith((">>>", "    ")):
            yield from ("```python no-run: run where it is written", block, "```", "")
        else:
            for item in re.split(r"^\* ", block, flags=re.MULTILINE):
                if item.strip():
                    yield ("- " if block.startswith("* ") else "") + _running(item)
            yield ""


def _running(text: str) -> str:
    """Running text of a docstring: marked names as code, everything else as it is."""
    text = re.sub(r":\w+:`~?([^`]+)`", r"``\1``", " ".join(text.split()))
    pieces = re.split(r"``(.+?)``", text)
    return "".join(
        f"`{p}`" if number % 2 else escaped_markdown(p) for number, p in enumerate(pieces)
    ).replace("::", ":")


def formats_page() -> Page:
    """Every format of captures, and what it cannot hold."""
    from busplan.capture.formats import FORMATS, TABLE, Format

    def row(one: Format) -> str:
        lost = [what for what in one.limits if one is not TABLE or what != "channels"]
        step = "1 ns" if one.step_ns == 1 else f"{one.step_ns / 1000:g} µs"
        gzip = "yes" if one.gzip else "no"
        return f"| {one.name} | `{one.suffix}` | {', '.join(lost) or 'nothing'} | {step} | {gzip} |"

    lines = [
        "# Formats of captures, and what each loses",
        "",
        "A format is known by its content first and its name second. What it cannot hold is gone "
        "when something writes it: choose the log where you can, and record with "
        "[busplan record](record.md), which writes a text log that loses nothing.",
        "",
        "| format | name ends in | cannot hold | time step | gzipped |",
        "|---|---|---|---|---|",
        *map(row, (*FORMATS, TABLE)),
        "",
        "MF4 needs `pip install asammdf`. A CSV table of any other layout is read by its headings; "
        "where they do not tell, `--columns` says which column is what, by heading or number. What "
        "a table lacks depends on its columns.",
        "",
        "Without channels, all frames count as one network: name it with `--channel`. Without "
        "error frames, nobody can tell a quiet bus from a disturbed one. Times that do not count "
        "from 1970 cannot be laid beside another file's without `--offset`.",
        "",
        "## Files that busplan writes",
        "",
        "| file | what it holds |",
        "|---|---|",
        "| `PLAN.board.toml` | boards, limits and notes at hand, beside the plan |",
        "| `PLAN.journal` | what commissioning has entered; it only grows |",
        "| `LOG.notes.toml` | notes at moments of a capture |",
        "| `LOG.journal` | what happened around a recording: gaps, drops, a full disk |",
        "| `LOG.alarms` | alarms of a recording |",
        "| `bench-NODE-….json` | the record of a bench test, as Markdown and HTML, too |",
        "",
        "All of them are text, and lie beside what they belong to.",
        "",
        "## What a format could not hold",
        "",
        "`busplan measure` says of each file what its format could not hold, and every command "
        "counts what it could not read, with its place.",
        "",
    ]
    return Page("formats", REST, "\n".join(lines))
