"""Cells and temperatures that the plan maps to the node under test, judged as the pack judges them.

The rules of this file: pure, and no rule of its own. Reading, limits and sensor rules are those of
:mod:`busplan.pack`; what they say of this node's signals is part of its verdict.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace

from busplan.bench.node_report import MessageProof, SignalProof, verdict_of
from busplan.errors import CaptureError
from busplan.findings import Finding
from busplan.frames.table import FrameTable
from busplan.pack.limits import find_excesses, limit_findings
from busplan.pack.plausible import plausible_findings
from busplan.pack.pull import pull_series
from busplan.pack.sensors import FaultyReading, find_faulty
from busplan.pack.sensors_told import faulty_findings
from busplan.plan.vehicle import PackLayout, SignalAddress, Stream, Vehicle


def with_pack_values(
    proofs: Sequence[MessageProof],
    own: Sequence[Stream],
    table: FrameTable,
    vehicle: Vehicle,
    origin_ns: int,
) -> tuple[MessageProof, ...]:
    """The proofs with what the pack's rules say of the cells and temperatures in their messages.

    ``own`` are the streams the proofs are of, in their order. ``table`` holds the frames of their
    network; findings count their time from ``origin_ns``.
    """
    layout = vehicle.pack
    if layout is None or not len(table):
        return tuple(proofs)
    mine = _only(layout, {s.path for s in own})
    if not mine.cells and not mine.sensors:
        return tuple(proofs)
    try:
        series = pull_series(table, replace(vehicle, pack=mine))
    except CaptureError:
        return tuple(proofs)  # none of them came, which the messages' own findings say
    faulty = find_faulty(series, mine)
    excesses = find_excesses(series, mine, frozenset((f.kind, f.index) for f in faulty))
    told = [
        *(f for f in series.findings if not f.code.endswith("-not-received")),
        *faulty_findings(faulty, mine, by_message=True),
        *limit_findings(excesses, mine),
        *plausible_findings(series, mine),
    ]
    later_ns = table.origin_ns - origin_ns
    told = [_later(f, later_ns) for f in told]
    odd = {_address(reading, mine): reading for reading in faulty}
    return tuple(_with(p, s, told, odd) for p, s in zip(proofs, own, strict=True))


def _only(layout: PackLayout, paths: set[tuple[str, str, str]]) -> PackLayout:
    """The layout with nothing in it but what these messages carry."""
    return replace(
        layout,
        cells=tuple(c for c in layout.cells if c.address[:3] in paths),
        sensors=tuple(s for s in layout.sensors if s.address[:3] in paths),
        quantities={q: a for q, a in layout.quantities.items() if a[:3] in paths},
    )


def _address(reading: FaultyReading, layout: PackLayout) -> SignalAddress:
    places = layout.cells if reading.kind == "cell" else layout.sensors
    return places[reading.index].address


def _later(finding: Finding, by_ns: int) -> Finding:
    where = finding.where
    if where.time_ns is None or not by_ns:
        return finding
    return replace(finding, where=replace(where, time_ns=where.time_ns + by_ns))


def _with(
    proof: MessageProof,
    stream: Stream,
    told: Sequence[Finding],
    odd: Mapping[SignalAddress, FaultyReading],
) -> MessageProof:
    """One message with what was found of it; a reading that cannot be is never in range."""
    name = stream.path[2]
    settled = {s.name for s in proof.signals if stream.address(s.name) in odd}
    findings = (
        *(f for f in proof.findings if f.code != "signal-at-end" or f.where.signal not in settled),
        *(f for f in told if f.where.message == name),
    )
    signals = tuple(_marked(s, odd.get(stream.address(s.name))) for s in proof.signals)
    return replace(proof, signals=signals, findings=findings, verdict=verdict_of(findings))


def _marked(signal: SignalProof, reading: FaultyReading | None) -> SignalProof:
    if reading is None:
        return signal
    return replace(
        signal, detail=str(reading.fault), out_of_range=max(signal.out_of_range, reading.count)
    )
