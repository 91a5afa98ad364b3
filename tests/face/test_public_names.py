"""The public face, literally: a name, a parameter or a default that changes is seen here."""

import importlib
import inspect
import subprocess
import sys
from pathlib import Path

import pytest

import busplan

ROOT = Path(__file__).parents[2]

SIGNATURES = {
    "load_plan": "(file: 'str | PathLike[str]') -> 'Vehicle'",
    "check": "(vehicle: 'Vehicle', *, only: 'Iterable[str] | str | None' = None) -> 'Findings'",
    "loads": (
        "(vehicle: 'Vehicle', *, networks: 'Iterable[str] | str | None' = None) -> 'LoadReport'"
    ),
    "timing": (
        "(vehicle: 'Vehicle', *, networks: 'Iterable[str] | str | None' = None, "
        "fault_interval_ms: 'float | None' = None) -> 'TimingReport'"
    ),
    "allot": (
        "(vehicle: 'Vehicle', *, want: 'str' = 'in-time', only: 'str | None' = None, "
        "networks: 'Iterable[str] | str | None' = None, "
        "offsets: 'Iterable[str] | str | None' = None, "
        "refused: 'Iterable[str] | str | None' = None, "
        "fault_interval_ms: 'float | None' = None, seconds: 'float | None' = None) -> 'Allotted'"
    ),
    "simulate": (
        "(vehicle: 'Vehicle', *, seconds: 'float' = 60.0, seed: 'int' = 0, "
        "networks: 'Iterable[str] | str | None' = None, errors_per_second: 'float' = 0.0, "
        "drift_ppm: 'float' = 50.0, overwrite: 'bool' = False, critical: 'bool' = False) "
        "-> 'SimulationReport'"
    ),
    "read_capture": (
        "(files: 'str | PathLike[str] | Sequence[str | PathLike[str]]', "
        "vehicle: 'Vehicle | None' = None, *, offsets_s: 'Mapping[str, float] | None' = None, "
        "channels: 'Mapping[str, str] | None' = None, columns: 'str' = '', cache: 'bool' = True) "
        "-> 'Capture'"
    ),
    "Capture.decode": (
        "(self, *signals: 'str', every_s: 'float | None' = None, hold_s: 'float | None' = None, "
        "index: \"Literal['seconds', 'timedelta', 'utc']\" = 'seconds') -> 'DataFrame'"
    ),
    "Capture.to_frame": "(self) -> 'DataFrame'",
    "judge_pack": (
        "(capture: 'Capture', *, test: 'str | None' = None, "
        "span_s: 'tuple[float, float] | None' = None, before: 'JudgedPack | None' = None) "
        "-> 'JudgedPack'"
    ),
    "judge_behaviours": (
        "(capture: 'Capture', *, only: 'Iterable[str] | str | None' = None) -> 'BehaviourReport'"
    ),
    "prove_node": (
        "(capture: 'Capture', node: 'str', *, network: 'str | None' = None, "
        "limits: 'BenchLimits | None' = None) -> 'BenchReport'"
    ),
    "survey": (
        "(capture: 'Capture', *, networks: 'Iterable[str] | str | None' = None, "
        "definitions: 'Sequence[str | PathLike[str]]' = (), "
        "bit_rates: 'Mapping[str, int | tuple[int, int]] | None' = None) -> 'Survey'"
    ),
    "measure": (
        "(capture: 'Capture', *, window_s: 'float' = 1.0, "
        "bit_rates: 'Mapping[str, int | tuple[int, int]] | None' = None) -> 'Measurement'"
    ),
    "Fleet": "(place: 'str | PathLike[str]', *, make: 'bool' = False) -> 'None'",
    "Fleet.add": (
        "(self, files: 'str | PathLike[str] | Iterable[str | PathLike[str]]', *, vehicle: 'str', "
        "plan: 'str | PathLike[str]', together: 'bool' = False, test: 'str' = '') "
        "-> 'dict[str, Any]'"
    ),
    "Fleet.judge": (
        "(self, *, workers: 'int | None' = None, again: 'bool' = False) -> 'dict[str, Any]'"
    ),
    "Fleet.captures": "(self) -> 'DataFrame'",
    "Fleet.judgements": "(self) -> 'DataFrame'",
    "Fleet.rows": "(self, what: 'Rows') -> 'DataFrame'",
    "Fleet.ask": (
        "(self, question: 'str', about: 'str' = '', *, "
        "vehicles: 'Iterable[str] | str | None' = None, figure: 'str' = '', "
        "modules: 'bool' = False, above: 'float | None' = None, below: 'float | None' = None) "
        "-> 'DataFrame'"
    ),
    "Fleet.sql": "(self, text: 'str') -> 'DataFrame'",
    "Findings": "(findings: 'Iterable[Finding]' = ()) -> 'Findings'",
    "Findings.of": "(self, *codes: 'str') -> 'Findings'",
    "Findings.to_frame": "(self) -> 'DataFrame'",
}
VALUES = ["Finding", "Vehicle", "BusplanError", "PlanError", "CaptureError", "UsageError"]


def test_names() -> None:
    calls = [name.partition(".")[0] for name in SIGNATURES]
    assert sorted(busplan.__all__) == sorted({*calls, *VALUES})
    assert set(busplan.__all__) <= set(dir(busplan))
    with pytest.raises(AttributeError, match="no attribute 'load_plans'"):
        getattr(busplan, "load_plans")  # noqa: B009


@pytest.mark.parametrize("name", SIGNATURES)
def test_signatures(name: str) -> None:
    first, _, method = name.partition(".")
    call = getattr(busplan, first)
    assert str(inspect.signature(getattr(call, method) if method else call)) == SIGNATURES[name]


@pytest.mark.parametrize("name", ["allot", "timing"])
def test_a_name_that_a_room_has_too_is_explained_as_the_call(name: str) -> None:
    told = inspect.getdoc(getattr(busplan, name))
    homes = {"allot": "face.placed", "timing": "face.planned"}
    call = getattr(importlib.import_module(f"busplan.{homes[name]}"), name)
    assert told == inspect.getdoc(call)


def test_types_and_lazy_names_are_the_same() -> None:
    """What editors see under ``TYPE_CHECKING`` is what a run gives."""
    source = (ROOT / "busplan/__init__.py").read_text(encoding="utf-8")
    block = source.split("    from typing import Any\n\n")[1].split("\n\n")[0]
    typed: dict[str, str] = {}
    for line in block.splitlines():
        _, home, _, names = line.split(maxsplit=3)
        typed |= {name.strip(): home for name in names.split(",")}
    assert {name: f"busplan.{home}" for name, home in busplan._HOME.items()} == typed


HEAVY = "numpy", "pandas", "pyarrow", "numba", "scipy", "cantools", "can", "textual", "typer"


def imported(code: str) -> set[str]:
    """Modules that a fresh Python holds after running ``code``."""
    told = subprocess.run(
        [sys.executable, "-c", f"{code}\nimport sys\nprint(*sys.modules)"],
        capture_output=True,
        text=True,
        check=True,
        cwd=ROOT,
    )
    return set(told.stdout.split())


def test_importing_busplan_imports_nothing_heavy() -> None:
    own = {"busplan", "busplan.version", "types"}
    assert imported("import busplan") - imported("pass") <= own
    plan = imported("import busplan\nbusplan.load_plan, busplan.Vehicle, busplan.timing")
    assert not plan & set(HEAVY)


def test_timing_is_a_call_and_a_room_in_any_order() -> None:
    for first in ("busplan.timing", "import busplan.timing.response", "busplan.Vehicle"):
        imported(
            f"import busplan\n{first}\n"
            "v = busplan.load_plan('dbc_examples/as_built.toml')\n"
            "busplan.check(v)\n"
            "assert len(busplan.timing(v, networks='drive').networks) == 1\n"
            "import busplan.timing.response as room\n"
            "assert busplan.timing.response is room"
        )


def test_help_is_an_introduction() -> None:
    told = imported("import pydoc, busplan\npydoc.render_doc(busplan)")
    assert "busplan" in told
    import pydoc

    text = pydoc.plain(pydoc.render_doc(busplan))
    assert "The main job in five lines" in text
    assert 'v = busplan.load_plan("as_built.toml")' in text
    assert "High voltage can kill" in text
