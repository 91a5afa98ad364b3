"""A capture judged from Python: the pack, one node, and what is on the wire."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any, Literal

from busplan.errors import UsageError
from busplan.face.findings import Findings
from busplan.face.given import a_number, names
from busplan.face.opened import Capture, a_capture, its_vehicle
from busplan.tables import Table, html_of
from busplan.wording import one_line

if TYPE_CHECKING:
    from pandas import DataFrame

    from busplan.behaviour.report import BehaviourReport
    from busplan.bench.node_report import BenchLimits, BenchReport
    from busplan.pack.report import PackReport
    from busplan.pack.section import Section
    from busplan.pack.whole import Whole


@dataclass(frozen=True, eq=False, repr=False)
class JudgedPack:
    """The judgement over a pack by one capture.

    ``report`` (:class:`busplan.pack.report.PackReport`) holds every figure; ``findings`` its
    findings and those about the plan's ``[pack]`` section.
    """

    report: PackReport
    findings: Findings
    vehicle: str
    invented: bool

    @property
    def headline(self) -> str:
        """The verdict in one line."""
        return self._whole.headline

    @property
    def answer(self) -> str:
        """``good``, ``bad`` or ``not shown``: good only when all that must be shown was."""
        return self._whole.answer.value

    @property
    def sections(self) -> tuple[Section, ...]:
        """A topic each: ``name``, ``answer`` (good, bad, not shown), ``text``, ``missing``."""
        return self._whole.sections

    @property
    def steps(self) -> tuple[str, ...]:
        """What to do next."""
        return self._whole.steps

    @cached_property
    def _whole(self) -> Whole:
        from busplan.pack.whole import judge_whole

        return judge_whole(self.report, self.findings)

    def to_frame(
        self, rows: Literal["modules", "cells", "sections", "delays"] = "modules"
    ) -> DataFrame:
        """One row a module, cell, topic or frame of cells; what is not told is NaN."""
        from busplan.pack.resistance_rows import DelayRow, delay_rows
        from busplan.pack.tables import (
            CellRow,
            ModuleRow,
            TopicRow,
            cell_rows,
            module_rows,
            topic_rows,
        )

        if rows == "modules":
            return Table("modules", ModuleRow, tuple(module_rows(self.report))).to_frame()
        if rows == "cells":
            return Table("cells", CellRow, tuple(cell_rows(self.report))).to_frame()
        if rows == "sections":
            return Table("topics", TopicRow, tuple(topic_rows(self.report))).to_frame()
        if rows == "delays":
            late = delay_rows(self.report.resistance, self.report.layout)
            return Table("delays", DelayRow, tuple(late)).to_frame()
        raise UsageError(f'rows is "modules", "cells", "sections" or "delays", not {rows!r}')

    def as_dict(self) -> dict[str, Any]:
        """Everything as plain values for JSON; what is not known is ``None``."""
        from busplan.pack.tables import judged_dict

        return judged_dict(self.report, self.findings, self.vehicle, self.invented)

    def __repr__(self) -> str:
        lines = [f"<JudgedPack of {self._whose}: {self.headline}>"]
        lines += [f"{s.answer.mark} {s.name}: {s.words}" for s in self.sections]
        return "\n".join(map(one_line, lines))

    def _repr_html_(self) -> str:
        return html_of(f"{self._whose}: {self.headline}", self.to_frame("sections"))

    @property
    def _whose(self) -> str:
        return f"{self.vehicle}{' (invented)' if self.invented else ''}"


def judge_pack(
    capture: Capture,
    *,
    test: str | None = None,
    span_s: tuple[float, float] | None = None,
    before: JudgedPack | None = None,
) -> JudgedPack:
    """Judge the traction pack by a capture that was read with its plan.

    ``test`` says what was done: ``warm-up``, ``drive``, ``charge``, ``rest`` or ``key-on``; found
    from the signals when left out. ``span_s`` is the start and stop of a warm-up [s] from the
    first frame. ``before`` is an older judgement of the same pack: what has drifted since is then
    a finding.
    :class:`busplan.UsageError` when the plan has no ``[pack]`` section.

    High voltage can kill. busplan is not a safety device: it judges what was recorded, and what
    was not recorded it cannot judge.

    >>> v = busplan.load_plan("as_built.toml")
    >>> judged = busplan.judge_pack(busplan.read_capture("drive_short.log.gz", v))
    >>> judged.headline, len(judged.to_frame("cells"))    # doctest: +ELLIPSIS
    ('Not all right: ...', 96)
    """
    from busplan.pack.judging import judge_frames, known_test

    vehicle = its_vehicle(a_capture(capture, "judge_pack"), "judge_pack")
    if before is not None and not isinstance(before, JudgedPack):
        raise UsageError(f"before is what judge_pack gave, not {type(before).__name__}")
    judged = judge_frames(
        capture.frames,
        vehicle,
        test=known_test(test),
        span_s=None if span_s is None else _span(span_s, capture.frames.span_ns / 1e9),
        before=None if before is None else before.report,
        tolerated=capture.findings,
    )
    findings = Findings(judged.findings)
    return JudgedPack(judged.report, findings, vehicle.name, vehicle.invented)


def _span(span_s: object, length_s: float) -> tuple[float, float]:
    if not isinstance(span_s, tuple | list) or len(span_s) != 2:
        raise UsageError(f"span_s is a start and a stop [s], not {span_s!r}")
    start, stop = (a_number(s, "span_s", 0.0, length_s + 1.0) for s in span_s)
    return start, stop


def judge_behaviours(
    capture: Capture, *, only: Iterable[str] | str | None = None
) -> BehaviourReport:
    """Judge the plan's ``[[behaviour]]`` tables by a capture that was read with it.

    ``only`` names the behaviours wanted. The report has ``verdicts`` (each ``held``, ``failed`` or
    ``not shown``, with its counts, margins and failures), ``findings``, ``to_frame()`` and
    ``as_dict()``. :class:`busplan.UsageError` when the plan has none, or none of a name.

    High voltage can kill. busplan is not a safety device: what never came up was not judged.

    >>> v = busplan.load_plan("as_built.toml")
    >>> r = busplan.judge_behaviours(busplan.read_capture("fan_late_short.log.gz", v))
    >>> [w.behaviour.name for w in r.verdicts if w.word == "failed"]
    ['drive-needs-brake', 'fan-when-hot']
    """
    from busplan.behaviour.judge import chosen_behaviours
    from busplan.behaviour.judge import judge_behaviours as judge

    vehicle = its_vehicle(a_capture(capture, "judge_behaviours"), "judge_behaviours")
    chosen = chosen_behaviours(vehicle, names(only, "judge_behaviours"))
    return judge(capture.frames, vehicle, chosen, capture.findings)


def prove_node(
    capture: Capture,
    node: str,
    *,
    network: str | None = None,
    limits: BenchLimits | None = None,
) -> BenchReport:
    """Hold what one node sent against what its definitions say.

    ``network`` may be left out when the node is on one network only; ``limits``
    (:class:`busplan.bench.node_report.BenchLimits`) says how exact it has to be. The report has
    ``to_frame()``, ``to_html()`` and ``as_dict()``. :class:`busplan.UsageError` for a node that the
    plan does not have.

    >>> v = busplan.load_plan("as_built.toml")
    >>> c = busplan.read_capture("bench_charger_short.log.gz", v)
    >>> busplan.prove_node(c, "charger").verdict.value
    'fail'
    """
    from busplan.bench.run import BenchTest

    vehicle = its_vehicle(a_capture(capture, "prove_node"), "prove_node")
    if not isinstance(node, str):
        raise UsageError(f"prove_node wants the name of a node, not {type(node).__name__}")
    test = BenchTest.of(vehicle, node, network, limits)
    return test.record(capture.frames, read=capture.findings).report
