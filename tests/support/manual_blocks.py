"""The code blocks of the manual's pages: found, run as a reader would, compared with what they say.

``console`` blocks hold lines that begin with ``$ `` and what they print, where ``...`` stands for
anything; ``pycon`` blocks are doctests; ``toml`` blocks are read, or with ``file=NAME`` written for
the blocks that follow. ``no-run: REASON`` leaves a block out.
"""

from __future__ import annotations

import doctest
import io
import re
import shlex
import sys
import tomllib
from collections.abc import Iterator
from contextlib import redirect_stderr, redirect_stdout, suppress
from dataclasses import dataclass
from pathlib import Path
from unittest import mock

from busplan.cli.app import main

_FENCE = re.compile(r"^```(.*?)\n(.*?)^```$", re.MULTILINE | re.DOTALL)
CHECKER = doctest.OutputChecker()
LIKE = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE


@dataclass(frozen=True)
class Block:
    """One fenced block: where it begins, its language, why it is not run, and what it holds."""

    line: int
    language: str
    no_run: str
    file: str
    text: str

    def calls(self) -> Iterator[tuple[str, str]]:
        """Each line typed in a console and what it is said to print."""
        joined = self.text.replace("\\\n", " ")
        for part in re.split(r"^\$ ", joined, flags=re.MULTILINE)[1:]:
            call, _, output = part.partition("\n")
            yield " ".join(call.split()), output


def blocks(text: str) -> list[Block]:
    """Every block of a page, in order."""
    found = []
    for fence in _FENCE.finditer(text):
        words, _, reason = fence[1].partition(" no-run:")
        language, *more = words.split()
        file = next((w.removeprefix("file=") for w in more if w.startswith("file=")), "")
        line = text.count("\n", 0, fence.start()) + 1
        found.append(Block(line, language, reason.strip(), file, fence[2]))
    return found


def printed(call: str) -> str:
    """What ``busplan ...`` shows where nobody looks: stdout and stderr as they come."""
    data = io.BytesIO()
    out = io.TextIOWrapper(data, encoding="utf-8", write_through=True)
    with (
        mock.patch.object(sys, "argv", shlex.split(call)),
        redirect_stdout(out),
        redirect_stderr(out),
        suppress(SystemExit),
    ):
        main()
    out.flush()
    return data.getvalue().decode()


def differences(block: Block, names: dict[str, object]) -> Iterator[str]:
    """What a block says and does not hold; ``names`` are those of the page's Python so far."""
    if block.no_run:
        return
    if block.language == "toml":
        tomllib.loads(block.text)
        if block.file:
            Path(block.file).write_text(block.text, encoding="utf-8")
    elif block.language == "csv":
        Path(block.file).parent.mkdir(exist_ok=True)
        Path(block.file).write_text(block.text, encoding="utf-8")
    elif block.language == "pycon":
        test = doctest.DocTestParser().get_doctest(block.text, names, "page", None, block.line)
        said: list[str] = []
        runner = doctest.DocTestRunner(optionflags=LIKE)
        runner.run(test, out=said.append, clear_globs=False)
        names.update(test.globs)
        yield from said
    elif block.language == "console":
        for call, wanted in block.calls():
            if shlex.split(call)[0] != "busplan":
                yield f"{call}: only busplan is run"
                continue
            got = printed(call)
            if not CHECKER.check_output(wanted or "...", got, LIKE):
                yield f"$ {call}\n--- the page says\n{wanted}--- it prints\n{got}"
    else:
        yield f"{block.language}: nothing is known of such blocks"
