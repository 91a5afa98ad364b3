"""busplan: plan the CAN networks of an electric conversion, and read what travels on them.

The main job in five lines, on files that ``busplan demo --to demo-files`` writes (all invented)::

    v = busplan.load_plan("as_built.toml")
    c = busplan.read_capture("drive_short.log.gz", v)
    c.decode("CellVoltage*")        # DataFrame: index time, a column a signal, attrs["units"]
    busplan.check(v).to_frame(), busplan.timing(v).to_frame(), busplan.judge_pack(c)
    busplan.prove_node(busplan.read_capture("bench_charger_short.log.gz", v), "charger").to_html()

A plan (Vehicle):       load_plan, check, loads, timing, simulate, allot
A recording (Capture):  read_capture, survey, measure, judge_pack, judge_behaviours, prove_node
Many captures:          Fleet
What is said:           Finding, Findings
What goes wrong:        BusplanError and its kinds PlanError, CaptureError, UsageError

Results print in a few lines, show as tables in a notebook, have ``to_frame()`` with units in
``attrs["units"]``, and can be pickled. Names in ``__all__`` are the public face; every module below
this one is private and may change without notice. Nothing here sends anything on a bus.

High voltage can kill. busplan is not a safety device: it judges what was planned or recorded, and
replaces neither measuring, nor a licensed person, nor your local codes.
"""

import sys
from types import ModuleType

from busplan.version import __version__ as __version__

TYPE_CHECKING = False  # typing itself would double what this import costs
if TYPE_CHECKING:
    from typing import Any

    from busplan.errors import BusplanError, CaptureError, PlanError, UsageError
    from busplan.face.findings import Findings
    from busplan.face.fleet import Fleet
    from busplan.face.judged import judge_behaviours, judge_pack, prove_node
    from busplan.face.opened import Capture, read_capture
    from busplan.face.placed import allot
    from busplan.face.planned import check, load_plan, loads, simulate, timing
    from busplan.face.traffic import measure, survey
    from busplan.findings import Finding
    from busplan.plan.vehicle import Vehicle

__all__ = [
    "BusplanError",
    "Capture",
    "CaptureError",
    "Finding",
    "Findings",
    "Fleet",
    "PlanError",
    "UsageError",
    "Vehicle",
    "allot",
    "check",
    "judge_behaviours",
    "judge_pack",
    "load_plan",
    "loads",
    "measure",
    "prove_node",
    "read_capture",
    "simulate",
    "survey",
    "timing",
]

_HOMES = {
    "errors": ("BusplanError", "CaptureError", "PlanError", "UsageError"),
    "face.findings": ("Findings",),
    "face.fleet": ("Fleet",),
    "face.judged": ("judge_behaviours", "judge_pack", "prove_node"),
    "face.opened": ("Capture", "read_capture"),
    "face.placed": ("allot",),
    "face.planned": ("check", "load_plan", "loads", "simulate", "timing"),
    "face.traffic": ("measure", "survey"),
    "findings": ("Finding",),
    "plan.vehicle": ("Vehicle",),
}
"""Where the public names live: nothing is imported before it is asked for."""

_HOME = {name: home for home, names in _HOMES.items() for name in names}
_ROOMS = ("allot", "timing")
"""The public names that rooms below have, too."""


def _public(name: str) -> "Any":
    from importlib import import_module

    return getattr(import_module(f"{__name__}.{_HOME[name]}"), name)


def _lazy(name: str) -> "Any":
    from importlib import import_module

    if name not in _HOME:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    value = import_module(f"{__name__}.{name}") if name in _ROOMS else _public(name)
    globals()[name] = value
    return value


if not TYPE_CHECKING:
    __getattr__ = _lazy  # a type checker knows every name, and should tell those that are not there


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})


class _Room(ModuleType):
    """A room that also answers to the call of its name: ``busplan.timing(v)``."""

    def __call__(self, *given: "Any", **named: "Any") -> "Any":
        return _public(self.__name__.rpartition(".")[2])(*given, **named)

    @property
    def __doc__(self) -> "Any":  # type: ignore[override]
        return _public(self.__name__.rpartition(".")[2]).__doc__

    @property
    def __signature__(self) -> "Any":
        from inspect import signature

        return signature(_public(self.__name__.rpartition(".")[2]))


class _Package(ModuleType):
    """This package: whoever imports a room first, ``busplan.timing`` can be called."""

    def __setattr__(self, name: str, value: "Any") -> None:
        if name in _ROOMS and isinstance(value, ModuleType):
            value.__class__ = _Room
        super().__setattr__(name, value)


sys.modules[__name__].__class__ = _Package
