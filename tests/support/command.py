"""Calling a command the way the console script does, without a new process."""

from __future__ import annotations

import io
import sys
from contextlib import redirect_stderr, redirect_stdout
from dataclasses import dataclass
from pathlib import Path
from unittest import mock

from busplan.cli.app import main


@dataclass(frozen=True)
class Run:
    """What a call left behind."""

    code: int
    out: str
    err: str


def busplan(*arguments: str | Path) -> Run:
    """Run ``busplan ARGUMENTS``; the exit code is 0 when it just returns."""
    # Commands that write data use the bytes beneath stdout.
    data, err = io.BytesIO(), io.StringIO()
    out = io.TextIOWrapper(data, encoding="utf-8")
    argv = ["busplan", *map(str, arguments)]
    code = 0
    with mock.patch.object(sys, "argv", argv), redirect_stdout(out), redirect_stderr(err):
        try:
            main()
        except SystemExit as stop:
            code = stop.code if isinstance(stop.code, int) else int(bool(stop.code))
    out.flush()
    return Run(code, data.getvalue().decode(), err.getvalue())
