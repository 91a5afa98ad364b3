"""Files that busplan writes new: whole or not at all, and never over one that is there."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from busplan.errors import UsageError
from busplan.files import write_new

TOO_LARGE = """
import resource, signal, sys
from pathlib import Path
from busplan.errors import UsageError
from busplan.files import write_new
signal.signal(signal.SIGXFSZ, signal.SIG_IGN)
resource.setrlimit(resource.RLIMIT_FSIZE, (1000, 1000))
try:
    write_new(Path(sys.argv[1]), "x" * 100_000)
except UsageError as error:
    print(error)
"""


@pytest.mark.skipif(sys.platform == "win32", reason="no such limit there")
def test_of_what_could_not_be_written_whole_nothing_is_left(tmp_path: Path) -> None:
    """The limit of a file stops the write in its middle, as a full disk does (setrlimit(2))."""
    path = tmp_path / "half.dbc"
    here = Path(__file__).parents[2]
    ended = subprocess.run(
        [sys.executable, "-c", TOO_LARGE, str(path)],
        env=os.environ | {"PYTHONPATH": str(here)},
        capture_output=True,
        text=True,
        check=True,
    )
    assert ended.stdout.startswith(f"cannot write {path}: ")
    assert not path.exists()


def test_a_file_that_is_there_stays_as_it_is(tmp_path: Path) -> None:
    path = tmp_path / "mine.dbc"
    write_new(path, "mine\n")
    with pytest.raises(UsageError, match="exists already"):
        write_new(path, b"other")
    assert path.read_bytes() == b"mine\n"
