"""How the process ends while a thread is still at work.

A thread stopped by force with the lock of a stream in its hands makes CPython abort, as one stopped
inside C++ does; the first is easier to bring about.
"""

import subprocess
import sys

import pytest

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
