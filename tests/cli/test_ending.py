"""How the process ends while a thread is still at work.

A thread stopped by force with the lock of a stream in its hands makes CPython abort, as one stopped
inside C++ does; the first is easier to bring about.
"""

import os
import subprocess
import sys
from pathlib import Path

import pytest
from support.cart import DBC, PLAN
from support.costly import LOG

AT_WORK = """
import atexit, sys, threading
from busplan.cli.ending import end

def work():
    while True:
        sys.stderr.buffer.write(bytes(1 << 20))

{thread}
atexit.register(lambda: print("registered"))
print("printed")
end({code})
"""


@pytest.mark.parametrize("code", [0, 2])
@pytest.mark.parametrize("daemon", [True, False])
def test_the_exit_code_and_what_was_printed_come_through(code: int, daemon: bool) -> None:
    thread = "threading.Thread(target=work, daemon=True).start()" if daemon else ""
    script = AT_WORK.format(thread=thread, code=code)
    for _ in range(4):
        ended = subprocess.run(
            [sys.executable, "-c", script],
            stdout=subprocess.PIPE,
            stderr=subprocess.DEVNULL,
            timeout=60,
        )
        assert ended.returncode == code
        assert ended.stdout.split() == [b"printed", b"registered"]


def test_the_command_line_ends_through_it(monkeypatch: pytest.MonkeyPatch) -> None:
    from busplan import cli

    codes: list[int] = []
    monkeypatch.setattr("busplan.cli.ending.end", codes.append)
    monkeypatch.setattr(sys, "argv", ["busplan", "--no-such-option"])
    cli.run()
    monkeypatch.setattr(sys, "argv", ["busplan", "--version"])
    cli.run()
    assert codes == [3, 0]


WRITING = [
    ("check", "plan.toml"),
    ("check", "plan.toml", "--json"),
    ("bench", "wheel", "--plan", "plan.toml", "--capture", "x.log"),
    ("decode", "x.log", "--plan", "plan.toml"),
]


def run_into(folder: Path, call: tuple[str, ...], redirected: str) -> tuple[int, str]:
    """Exit code and stderr of a call in a shell that redirects its streams."""
    (folder / "plan.toml").write_text(PLAN)
    (folder / "wheel.dbc").write_text(DBC)
    (folder / "x.log").write_text(LOG)
    here = Path(__file__).parents[2]
    script = f'"$0" -m busplan "$@" {redirected}'
    ended = subprocess.run(
        ["sh", "-c", script, sys.executable, *call],
        cwd=folder,
        env=os.environ | {"PYTHONPATH": str(here)},
        capture_output=True,
        text=True,
        check=False,
    )
    return ended.returncode, ended.stderr


@pytest.mark.skipif(sys.platform != "linux", reason="no such device there")
@pytest.mark.parametrize("call", WRITING)
def test_a_stream_that_is_full_or_closed_is_no_traceback(
    tmp_path: Path, call: tuple[str, ...]
) -> None:
    """``/dev/full`` answers as a full disk does (its page of the Linux manual, full(4))."""
    usual, _ = run_into(tmp_path, call, "")
    code, told = run_into(tmp_path, call, ">/dev/full")
    errors = [line for line in told.splitlines() if line.startswith("busplan: ")]
    assert errors == ["busplan: the output cannot be written: No space left on device"]
    assert (code, "Traceback" in told) == (3, False)
    for redirected in (">&-", "2>&-", "2>/dev/full"):
        code, told = run_into(tmp_path, call, redirected)
        assert (code, "Traceback" in told) == (usual, False), redirected
