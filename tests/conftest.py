"""How the whole suite runs."""

import gc
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import HealthCheck, settings
from support import file_rules

from busplan import compiled_files
from busplan.cli import compile_notice, ending

pytest_plugins = ["support.registered_findings"]

# A busy or cold machine is no defect: no time limit for an example, none for making one. The same
# examples on every machine, so that a clone that passed here passes there; other ones are tried
# with `pytest --hypothesis-profile=search`.
settings.register_profile(
    "suite",
    deadline=None,
    derandomize=True,
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.register_profile("search", settings.get_profile("suite"), derandomize=False)
settings.load_profile("suite")

# Thousands of tests and all libraries stay: looking through them for circles as often as in a small
# program frees next to nothing.
gc.set_threshold(50_000, 10, 10)

STRICT_FILES = {"bench", "capture", "demo", "live"}
"""Rooms whose tests run under the file rules of other systems."""


@pytest.fixture(autouse=True)
def quiet_compiling(monkeypatch: pytest.MonkeyPatch) -> None:
    """In a fresh clone any test may be the first to compile: its errors are not joined by that.

    Nor does a test that clears the caches take the kernels of this tree from the others.
    """
    monkeypatch.setattr(compile_notice, "PATIENCE_S", 3600.0)
    monkeypatch.setattr(compiled_files, "__file__", str(Path("nowhere", "compiled_files.py")))


@pytest.fixture(autouse=True)
def end_of_a_call(monkeypatch: pytest.MonkeyPatch) -> None:
    """A command line called within a test ends the call, never the process of the tests."""
    monkeypatch.setattr(ending, "end", sys.exit)


@pytest.fixture(autouse=True)
def strict_files(request: pytest.FixtureRequest) -> Iterator[None]:
    """Where files are kept, made and recorded: nothing in use is renamed, replaced or removed."""
    rooms = set(Path(request.path).relative_to(Path(__file__).parent).parts)
    with pytest.MonkeyPatch.context() as patch:
        loose = request.node.get_closest_marker("loose_files")
        if file_rules.KNOWN and rooms & STRICT_FILES and not loose:
            file_rules.apply(patch)
        yield
