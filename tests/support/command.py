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
    out, err = io.StringIO(), io.StringIO()
    argv = ["busplan", *map(str, arguments)]
    code = 0
    with mock.patch.object(sys, "argv", argv), redirect_stdout(out), redirect_stderr(err):
        try:
            main()
        except SystemExit as stop:
            code = stop.code if isinstance(stop.code, int) else int(bool(stop.code))
    return Run(code, out.getvalue(), err.getvalue())
