"""Compiled kernels: kept, told about, and compiled anew when what they depend on changes."""

from __future__ import annotations

import os
import subprocess
import sys
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from support.frames import frames

from busplan import compile_listener, kernels
from busplan.capture.textlog import textlog_lines
from busplan.capture.writekernel import format_lines
from busplan.cli import compile_notice as preparing
from busplan.cli.compile_notice import LINE, NOT_KEPT, Preparing
from busplan.frames.index_kernels import number_groups
from busplan.wire.exact import exact_bits
from busplan.wire.exact_kernel import count_bits

HELPER = """
from busplan.kernels import kernel
STEP = {step}
@kernel
def helper(x):
    return x + STEP
"""
RUN = """
import sys
sys.path.insert(0, sys.argv[1])
from busplan import compile_listener
told = []
compile_listener.listener = told.append
from made_kernel import used
print(used(1), told.count(True))
"""
USED = """
from busplan.kernels import kernel
from made_helper import helper
@kernel
def used(x):
    return helper(x) * 2
"""


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "made_helper.py").write_text(HELPER.format(step=1))
    (tmp_path / "made_kernel.py").write_text(USED)
    (tmp_path / "run.py").write_text(RUN)
    return tmp_path


def started(folder: Path) -> subprocess.Popen[str]:
    environment = os.environ | {
        "NUMBA_CACHE_DIR": str(folder / "kept"),
        "PYTHONPATH": str(Path(kernels.__file__).parents[1]),
    }
    return subprocess.Popen(
        [sys.executable, folder / "run.py", folder],
        stdout=subprocess.PIPE,
        text=True,
        env=environment,
    )


def told(process: subprocess.Popen[str]) -> list[int]:
    """The kernel's result and how many kernels were compiled."""
    out, _ = process.communicate(timeout=60)
    assert process.returncode == 0
    return [int(word) for word in out.split()]


def test_compiled_by_two_at_once_then_changed_then_damaged_then_kept(folder: Path) -> None:
    together = [started(folder), started(folder)]
    assert [told(p)[0] for p in together] == [4, 4]
    # A constant of a kernel used from another file: numba alone would not see it.
    (folder / "made_helper.py").write_text(HELPER.format(step=5))
    assert told(started(folder)) == [12, 2]
    for file in (folder / "kept").rglob("*.nb?"):
        file.write_bytes(file.read_bytes()[:100])
    assert told(started(folder)) == [12, 2]
    assert told(started(folder)) == [12, 0]


def test_without_a_folder_to_keep_it_in_a_kernel_still_works(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    def nowhere(function: object) -> object:
        raise RuntimeError("no locator available")

    monkeypatch.setattr(kernels, "_Kept", nowhere)
    monkeypatch.setattr(compile_listener, "kept", True)

    @kernels.kernel
    def double(x: int) -> int:
        return 2 * x

    assert double(4) == 8
    assert not compile_listener.kept


def test_a_constant_that_a_kernel_hands_on_is_a_number_like_any() -> None:
    @kernels.kernel
    def added(x: int, y: int, twice: bool) -> int:
        return x + 2 * y if twice else x + y

    @kernels.kernel
    def used(x: int, twice: bool) -> int:
        return added(added(x, 0, True), x, twice)

    assert [used(4, True), used(4, False)] == [12, 8]
    dispatcher: Any = added
    assert len(dispatcher.signatures) == 1


def test_kept_and_fresh_tables_share_compiled_kernels() -> None:
    table = frames([bytes([n]) for n in range(20)])
    columns = {n: np.array(c) for n, c in vars(table).items() if isinstance(c, np.ndarray)}
    table = replace(table, **columns)
    assert table.payload.flags.writeable  # as a kept copy's columns never are
    assert len(table.groups) == 1
    exact_bits(table)
    assert b"".join(textlog_lines(table)).count(b"\n") == 20
    dispatchers: list[Any] = [number_groups, count_bits, format_lines]
    for dispatcher, columns_at in zip(dispatchers, (range(7), range(5), range(1, 8)), strict=True):
        kinds = [signature[at] for signature in dispatcher.signatures for at in columns_at]
        assert kinds
        assert not any(kind.mutable for kind in kinds), dispatcher


class Terminal:
    """stderr that says whether it is a terminal."""

    def __init__(self, tty: bool) -> None:
        self.tty, self.text = tty, ""

    def isatty(self) -> bool:
        return self.tty

    def write(self, text: str) -> None:
        self.text += text

    def flush(self) -> None:
        pass


@pytest.mark.parametrize("kept", [True, False])
@pytest.mark.parametrize(("tty", "patience", "said"), [(True, 9, 1), (False, 9, 0), (False, 0, 1)])
def test_one_line_on_stderr_at_once_or_when_it_takes_long(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str], tty, patience, said, kept
) -> None:
    stderr = Terminal(tty)
    monkeypatch.setattr(sys, "stderr", stderr)
    monkeypatch.setattr(compile_listener, "kept", kept)
    monkeypatch.setattr(preparing, "PATIENCE_S", patience)
    listener = Preparing()
    for begins in (True, True, False, False, True):
        listener(begins)
    if listener._timer:
        listener._timer.join(0 if patience else 5)
    listener(False)
    assert listener._timer is None or not listener._timer.is_alive()  # whoever ends now ends alone
    assert stderr.text.count(LINE if kept else NOT_KEPT) == said
    assert LINE not in capsys.readouterr().out
    assert compile_listener.listener is not listener
