"""Reading definitions pulls in neither python-can nor tables, and leaves cantools whole."""

import subprocess
import sys
from pathlib import Path

PUMP = Path(__file__).parents[2] / "dbc_examples" / "pump.dbc"

SCRIPT = """
import sys
from busplan.definitions.dbc import load_dbc
assert load_dbc(sys.argv[1]).messages
heavy = {"can", "pandas", "numba", "textual", "asammdf"} & set(sys.modules)
assert not heavy, heavy
import cantools.tester
assert cantools.tester.Tester
"""


def test_only_what_is_needed_is_imported() -> None:
    subprocess.run([sys.executable, "-c", SCRIPT, str(PUMP)], check=True, timeout=60)
