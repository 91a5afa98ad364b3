"""Which tests of the list a capture covers, and what it shows of each.

The rules of this file: nothing is judged anew; each kind of test asks the room that judges it. A
test whose networks are not in the capture is not covered and gets no result.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np

from busplan.answers import Answer
from busplan.behaviour.judge import judge_behaviours
from busplan.behaviour.report import BehaviourReport, Verdict
from busplan.bench.expected import Heard, NodeTold, expected_findings, told_of_node
from busplan.bench.node_report import NodeVerdict, verdict_of
from busplan.bench.run import BenchTest
from busplan.commission.entry import Result, Saying
from busplan.commission.heard_on import heard_on
from busplan.commission.state import FAILED, NOT_SHOWN, PROVEN
from busplan.decode.match import Match, match_frames
from busplan.errors import CaptureError
from busplan.findings import Finding, Weight, Where, by_weight
from busplan.frames.columns import I64
from busplan.frames.table import FrameTable
from busplan.pack.judging import Judged, judge_frames
from busplan.pack.tables import judged_dict
from busplan.pack.whole import judge_whole
from busplan.plan.claims import messages, operands
from busplan.plan.planned_tests import BY_CAPTURE, PlannedTest
from busplan.plan.vehicle import Vehicle
from busplan.traffic.measurement import Measurement, measure_traffic
from busplan.traffic.stopped import Unpaused, longest_unpaused
from busplan.transport.messages import put_together
from busplan.wording import counted, listing, percent

SHORTEST_LOAD_S = 10.0
"""A load measured over a shorter time shows nothing of a network; common practice, no source."""
MOST_TOLD = 3
PARTS = 10
OF_CONTENT = 0.01
"""How far other contents move a load by their stuff bits, as a part of it (common practice, no
source)."""
FEW = 20
"""From so many frames on a period is kept."""
CLOCKS = 1e-4
"""How far two clocks differ (common practice, no source)."""
_ANSWERS = {Answer.GOOD: PROVEN, Answer.BAD: FAILED, Answer.NOT_SHOWN: NOT_SHOWN}


@dataclass(frozen=True, eq=False)
class Covered:
    """A capture and its vehicle; each judgement is made when the first test asks for it.

    ``tolerated`` is what reading the capture had to put up with.
    """

    vehicle: Vehicle
    table: FrameTable
    tolerated: tuple[Finding, ...] = ()

    @cached_property
    def networks(self) -> frozenset[str]:
        """The networks of which there are frames."""
        return frozenset(key.network for key in self.table.groups)

    @cached_property
    def pack(self) -> Judged | None:
        """The pack judged; ``None`` when the capture carries nothing of it."""
        if self.vehicle.pack is None:
            return None
        try:
            return judge_frames(self.table, self.vehicle, tolerated=self.tolerated)
        except CaptureError:
            return None

    @property
    def insulation(self) -> dict[str, float] | None:
        """The lowest insulation that lasted, its interval [Ω/V]; ``None`` when not measured."""
        checks = () if self.pack is None else self.pack.report.checks
        for figure in (f for c in checks for f in c.figures if f.name == "insulation"):
            low, high = figure.interval.low, figure.interval.high
            return {"value": figure.value, "low": low, "high": high}
        return None

    @cached_property
    def behaviours(self) -> BehaviourReport:
        """All behaviours that a test asks for."""
        names = {t.subject for t in self.vehicle.tests if t.kind == "behaviour"}
        chosen = [b for b in self.vehicle.behaviours if b.name in names and self._has(b.name)]
        return judge_behaviours(self.table, self.vehicle, chosen)

    def _has(self, name: str) -> bool:
        """Whether all networks of a behaviour are in the capture."""
        behaviour = next(b for b in self.vehicle.behaviours if b.name == name)
        spoken = {o.address.network for c in behaviour.claims for o in operands(c)}
        spoken |= {m[0] for c in behaviour.claims for m in messages(c)}
        return spoken <= self.networks

    @cached_property
    def unpaused(self) -> Unpaused | None:
        """What can be judged of its times where everybody paused at once."""
        return longest_unpaused(self.table, self.vehicle)

    @cached_property
    def _matches(self) -> tuple[Match, ...]:
        return match_frames(put_together(self.table, self.vehicle), self.vehicle).matches

    def frames_of(self, node: str, network: str) -> tuple[I64, bool]:
        """The frames that a node sent on a network, and whether any other node sent there."""
        rows = [m.rows for m in self._matches if m.stream.path[:2] == (network, node)]
        others = any(
            len(m.rows)
            for m in self._matches
            if m.stream.network == network and m.stream.node != node
        )
        own = np.unique(np.concatenate(rows)) if rows else np.empty(0, np.int64)
        return own[own < len(self.table)], others

    @cached_property
    def told(self) -> dict[str, NodeTold | None]:
        """What each node of which something is expected told of itself."""
        if not self.vehicle.expected:
            return {}
        heard = Heard(self.vehicle, self.table)
        return {name: told_of_node(heard, e) for name, e in self.vehicle.expected.items()}

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What nodes of the list told otherwise than expected, or identical parts differently."""
        asked = {t.subject for t in self.vehicle.tests if t.kind == "expect"}
        told = (self.told[name] for name in asked & self.told.keys())
        found = (f for t in told if t is not None for f in expected_findings(t, Where()))
        return tuple(by_weight(f for f in found if f.weight > Weight.NOTE))

    @cached_property
    def traffic(self) -> Measurement:
        """Loads and cycles as measured."""
        return measure_traffic(self.table, self.vehicle, known=self.tolerated)


def results_of(covered: Covered, only: Sequence[str] = ()) -> tuple[Result, ...]:
    """What a capture shows of each test that it covers, in the order of the list."""
    found = []
    for test in covered.vehicle.tests:
        if test.kind in BY_CAPTURE and (not only or test.name in only):
            result = _SHOWS[test.kind](covered, test)
            if result is not None:
                found.append(result)
    return tuple(found)


def saying_of(covered: Covered, facts: tuple[Mapping[str, Any], ...]) -> Saying:
    """What is entered of a capture whose files are ``facts``."""
    results = results_of(covered)
    text = "" if results else "it covers no test of the list"
    return Saying("capture", results, text=text, captures=facts)


def _capture(covered: Covered, test: PlannedTest) -> Result | None:
    judged = covered.pack
    if judged is None or judged.report.test.value != test.subject:
        return None
    whole = judge_whole(judged.report, judged.findings)
    vehicle = covered.vehicle
    pack = judged_dict(judged.report, judged.findings, vehicle.name, vehicle.invented)
    heavy = [f for f in by_weight(judged.findings) if f.weight > Weight.NOTE]
    return Result(
        test.name,
        _ANSWERS[whole.answer],
        whole.headline.rstrip(".") + _first(heavy),
        _plain(
            {
                "pack": pack,
                "baseline": judged.report.baseline.as_dict(),
                "insulation": covered.insulation,
            }
        ),
    )


def _behaviour(covered: Covered, test: PlannedTest) -> Result | None:
    verdict = next(
        (v for v in covered.behaviours.verdicts if v.behaviour.name == test.subject), None
    )
    if verdict is None:
        return None
    return Result(test.name, _ANSWERS[verdict.answer], _told(verdict), _plain(verdict.as_dict()))


def _told(verdict: Verdict) -> str:
    text = verdict.reason or verdict.counts_text
    if verdict.margin_text and verdict.answer is not Answer.NOT_SHOWN:
        text += f"; least margin {verdict.margin_text}"
    if verdict.failures:
        text += f"; first at {verdict.failures[0].at_s:.3f} s"
    return text


_PROOFS = {NodeVerdict.PASS: PROVEN, NodeVerdict.FAIL: FAILED, NodeVerdict.DOUBTFUL: FAILED}
"""As with the pack, a caution of the node has failed until somebody accepts it by name."""


def _bench(covered: Covered, test: PlannedTest) -> Result | None:
    """A node that is alone in the capture is judged as on the bench.

    Among others, and beside other networks, only its own frames count, and what it did not send
    there is not shown: the capture may be a part of what was on the wire.
    """
    assert test.network is not None
    own, others = covered.frames_of(test.subject, test.network)
    if test.network not in covered.networks or (others and not len(own)):
        return None
    if not len(own) and covered.networks != {test.network}:
        return None
    bench = BenchTest.of(covered.vehicle, test.subject, test.network)
    others = others or covered.networks != {test.network}
    table, unpaused = covered.table, covered.unpaused if others else None
    if others:
        table = table.take(own)
    if unpaused is not None:
        begin, end = unpaused.part.believable
        table = table.take((table.time_ns >= begin) & (table.time_ns <= end))
    report = bench.record(table, read=covered.tolerated).report
    heavy = [f for f in report.findings if f.weight > Weight.NOTE]
    answer = _PROOFS.get(report.verdict, NOT_SHOWN)
    own_findings = tuple(f for f in report.findings if f not in covered.tolerated)
    if answer == FAILED and _PROOFS.get(verdict_of(own_findings)) != FAILED:
        answer = NOT_SHOWN  # what the recording had to put up with is nothing of the node
    text = f"{report.headline}{_first(heavy)}"
    missing = [m.message.name for m in report.messages if not m.frames]
    if others and missing:
        heavy = [f for f in heavy if f.where.message not in missing]
        left = tuple(f for f in heavy if f not in covered.tolerated)
        answer = FAILED if _PROOFS.get(verdict_of(left)) == FAILED else NOT_SHOWN
        text = f"not in this capture: {listing(missing)}{_first(heavy)}"
    if unpaused is not None and answer == PROVEN:
        answer, text = NOT_SHOWN, f"{text}; {unpaused.told}"
    return Result(
        test.name, answer, text, _plain({"frames": report.frames, "span_s": report.span_ns / 1e9})
    )


def _load(covered: Covered, test: PlannedTest) -> Result | None:
    load = covered.traffic.loads.get(test.subject)
    if load is None:
        return None
    row = next(r for r in covered.traffic.load_table().rows if r.network == test.subject)
    limit = percent(row.limit or 0, 0)
    text = f"mean {percent(row.exact)}, highest second {percent(row.peak)}, limit {limit}"
    heavy = _about(covered, test.subject, ("measured-load-over-limit", "error-frames"))
    answer = FAILED if heavy else PROVEN
    if row.recorded_s < SHORTEST_LOAD_S and not heavy:
        answer = NOT_SHOWN
        text += f"; {row.recorded_s:.0f} s are too short to tell"
    heard = heard_on(covered.vehicle, covered.traffic, test.subject)
    if not (heard.complete or heavy):
        answer = NOT_SHOWN  # what did not come would have added to it
        text += heard.not_heard
    if covered.unpaused is not None and answer == PROVEN:
        answer = NOT_SHOWN  # a clock set forward makes every mean lower
        text += f"; {covered.unpaused.paused}"
    figures = figures_of_load(covered.traffic, test.subject)
    return Result(test.name, answer, text + _first(heavy), _plain(figures))


def figures_of_load(traffic: Measurement, network: str) -> dict[str, Any] | None:
    """What is kept of a network's load; ``uncertainty`` is the mean's standard uncertainty.

    By the scatter of the means of ten parts, which holds where windows depend on each other, and of
    the stuff bits of other contents. ``None`` when it was not recorded.
    """
    load = traffic.loads.get(network)
    if load is None:
        return None
    row = next(r for r in traffic.load_table().rows if r.network == network)
    parts = [p.mean() for p in np.array_split(load.exact, min(PARTS, len(load.exact)))]
    scatter = float(np.std(parts, ddof=1)) / len(parts) ** 0.5 if len(parts) > 1 else float("inf")
    return {
        "mean": row.exact,
        "uncertainty": float(np.hypot(scatter, OF_CONTENT * row.exact)),
        "peak": row.peak,
        "limit": row.limit,
        "recorded_s": row.recorded_s,
        "error_frames": row.error_frames,
        "identifiers": sorted(
            f"{i.key}".partition("/")[2] for i in traffic.identifiers if i.key.network == network
        ),
    }


def figures_of_cycles(traffic: Measurement, network: str) -> dict[str, tuple[float, float]]:
    """Median period and its standard uncertainty [ms] of cyclic messages that came often."""
    found = {}
    for one in traffic.identifiers:
        cycle = one.cycle
        if one.key.network != network or cycle is None or cycle.frames <= FEW or not one.stated:
            continue
        if len(one.streams) != 1 or one.streams[0].event:
            continue
        # Of a normal distribution 99 % lie within 2.58 deviations; a median's error is 1.25 of a
        # mean's. Two clocks differ by CLOCKS.
        error = 1.25 * cycle.jitter_ns / 2.58 / cycle.frames**0.5
        error = float(np.hypot(error, CLOCKS * cycle.median_ns))
        stream = one.streams[0]
        found[f"{stream.node} {stream.message.name}"] = (cycle.median_ns / 1e6, error / 1e6)
    return found


_CYCLES = (
    *("cycle-measured-slow", "cycle-measured-fast", "cycle-measured-uneven"),
    *("events-measured-close", "two-senders-likely"),
)


def _cycles(covered: Covered, test: PlannedTest) -> Result | None:
    """Every cyclic message of a network, each of each node, judged by enough of its frames."""
    if test.subject not in covered.networks:
        return None
    heavy = _about(covered, test.subject, _CYCLES)
    heard = heard_on(covered.vehicle, covered.traffic, test.subject)
    text = f"{counted(len(heard.frames), 'message')} measured{_first(heavy)}"
    answer = FAILED if heavy else PROVEN
    if not heavy and not (heard.complete and not heard.few):
        answer = NOT_SHOWN
        text += heard.not_heard
        text += f"; too few frames of {listing(heard.few)}" if heard.few else ""
    load = covered.traffic.loads.get(test.subject)
    figures = {
        "recorded_s": None if load is None else load.span_ns / 1e9,
        "messages": len(heard.frames),
        "missing": heard.missing,
        "cycles_ms": figures_of_cycles(covered.traffic, test.subject),
    }
    return Result(test.name, answer, text, _plain(figures))


def _expect(covered: Covered, test: PlannedTest) -> Result | None:
    told = covered.told[test.subject]
    if told is None:
        return None
    return Result(test.name, _ANSWERS[told.answer], told.text, _plain(told.as_dict()))


_SHOWS: Mapping[str, Callable[[Covered, PlannedTest], Result | None]] = {
    "capture": _capture,
    "behaviour": _behaviour,
    "bench": _bench,
    "load": _load,
    "cycles": _cycles,
    "expect": _expect,
}


def _about(covered: Covered, network: str, codes: Sequence[str]) -> list[Finding]:
    return [
        f
        for f in covered.traffic.findings
        if f.code in codes and f.where.network == network and f.weight > Weight.NOTE
    ]


def _first(findings: Sequence[Finding]) -> str:
    told = [f.summary for f in findings[:MOST_TOLD]]
    more = len(findings) - len(told)
    text = "".join(f"; {t.rstrip('.')}" for t in told)
    return f"{text}; and {more} more" if more else text


def _plain(value: Any) -> Any:
    """Values that JSON has words for: numbers that are none become ``None``."""
    match value:
        case bool() | str() | int() | None:
            return value
        case dict() | Mapping():
            return {str(k): _plain(v) for k, v in value.items()}
        case list() | tuple():
            return [_plain(v) for v in value]
        case float():
            return value if abs(value) < float("inf") else None
        case _:
            return _plain(value.item()) if hasattr(value, "item") else str(value)


def covers(vehicle: Vehicle) -> Iterator[str]:
    """The tests of a list that captures can show."""
    return (t.name for t in vehicle.tests if t.kind in BY_CAPTURE)
