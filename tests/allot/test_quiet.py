"""A library that writes to standard output by itself does not get into what a command prints."""

import subprocess
import sys

import pytest

NOISY = """
import ctypes
from busplan.allot.quiet import quiet_libraries
libc = ctypes.CDLL(None)
print("before")
with quiet_libraries():
    libc.printf(b"noise")
    print("lost", flush=True)
libc.printf(b"kept")
libc.fflush(None)
print("after")
"""


@pytest.mark.skipif(sys.platform == "win32", reason="the C library is asked for by its Unix name")
def test_what_a_c_library_prints_meanwhile_is_dropped() -> None:
    done = subprocess.run([sys.executable, "-c", NOISY], capture_output=True, text=True, check=True)
    assert done.stdout.split() == ["before", "keptafter"]
