"""Every example in the docstrings of the face runs; those of the manual: tests/manual."""

import doctest
import re
import runpy
from importlib import import_module
from pathlib import Path

import pytest

import busplan

ROOT = Path(__file__).parents[2]
MODULES = sorted({f"busplan.face.{p.stem}" for p in (ROOT / "busplan/face").glob("*.py")})
HARMLESS = doctest.ELLIPSIS | doctest.NORMALIZE_WHITESPACE


def run(test: doctest.DocTest) -> None:
    said: list[str] = []
    doctest.DocTestRunner(optionflags=HARMLESS).run(test, out=said.append)
    assert not said, "".join(said)


@pytest.mark.usefixtures("in_demo_folder")
@pytest.mark.parametrize("name", [n for n in MODULES if not n.endswith("__init__")])
def test_examples_in_docstrings(name: str) -> None:
    if name.endswith(".fleet"):
        pytest.importorskip("deltalake")
    finder = doctest.DocTestFinder(exclude_empty=True)
    for test in finder.find(import_module(name), name, globs={"busplan": busplan}):
        run(test)


def test_every_public_call_and_value_has_an_example() -> None:
    errors = {"BusplanError", "PlanError", "CaptureError", "UsageError"}
    for name in set(busplan.__all__) - errors - {"Vehicle", "Finding", "allot", "timing"}:
        assert ">>> " in (getattr(busplan, name).__doc__ or ""), name


@pytest.mark.usefixtures("in_demo_folder")
def test_the_five_lines_of_the_introduction() -> None:
    assert busplan.__doc__ is not None
    lines = re.findall(r"^    \S.*$", busplan.__doc__, re.MULTILINE)
    assert len(lines) == 5
    exec("\n".join(line.strip() for line in lines), {"busplan": busplan})


@pytest.mark.usefixtures("in_demo_folder")
def test_a_typed_script_runs() -> None:
    names = runpy.run_path(str(ROOT / "tests/face/typed_script.py"))
    assert "charger: fail: it differs from its definition" in names["main"]()
