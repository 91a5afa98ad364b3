"""What a bench test says: values only."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

from busplan.decode.protection import ChecksumKind
from busplan.definitions.model import Message, Stated
from busplan.findings import Finding, Weight, heaviest
from busplan.traffic.cycles import MeasuredCycle


class NodeVerdict(StrEnum):
    """The judgement over a message or a node."""

    PASS = "pass"
    """Nothing above a note."""
    DOUBTFUL = "doubtful"
    """Cautions: a person has to decide."""
    FAIL = "fail"
    """At least one fault."""
    NOT_JUDGED = "not judged"
    """Nothing came that could be judged, and nothing had to come."""


def verdict_of(findings: tuple[Finding, ...]) -> NodeVerdict:
    """The verdict that findings amount to."""
    return {
        Weight.NOTE: NodeVerdict.PASS,
        Weight.CAUTION: NodeVerdict.DOUBTFUL,
        Weight.FAULT: NodeVerdict.FAIL,
    }[heaviest(findings)]


ON_BEFORE = "on-before-power"
"""Code of the finding that a node was sending before it is said to have got power."""


@dataclass(frozen=True, slots=True)
class BenchLimits:
    """How exact a node has to be. All of them: common practice, no source; all can be set.

    * ``cycle_tolerance``: allowed deviation of the median cycle time, share of the definition;
    * ``gap_cycles``: longest silence between two frames of a message, in cycles;
    * ``jitter_cycles``: how far the distance of two frames may lie from the median, in cycles;
    * ``power_on_ns``: when the node got power, counted from the capture's first frame; ``None``:
      nobody told, so the start-up time is not measured;
    * ``start_within_ns``: time from there to its first frame, ``None``: not judged;
    * ``end_ns``: until when was listened, counted likewise; ``None``: until the last frame;
    * ``quiet_cycles``: silence after a bus error, in cycles of the node's quickest message;
    * ``checksums``: message name → how its checksum byte is made, when told rather than found.
    """

    cycle_tolerance: float = 0.10
    gap_cycles: float = 2.5
    jitter_cycles: float = 0.5
    power_on_ns: int | None = None
    start_within_ns: int | None = None
    end_ns: int | None = None
    quiet_cycles: float = 5.0
    checksums: Mapping[str, ChecksumKind] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class SignalProof:
    """One signal: values seen [``unit``] and how it behaved.

    ``role`` is ``value``, ``counter``, ``checksum`` or ``selector``; ``detail`` says in words what
    was found out about it.
    """

    name: str
    unit: str
    role: str
    frames: int
    lowest: float | int | None
    highest: float | int | None
    out_of_range: int
    constant: bool
    detail: str = ""


@dataclass(frozen=True, slots=True)
class MessageProof:
    """One message the node should send, as measured. ``lengths`` maps bytes to frame counts."""

    message: Message
    expected: Stated | None
    frames: int
    cycle: MeasuredCycle | None
    lengths: Mapping[int, int]
    signals: tuple[SignalProof, ...]
    findings: tuple[Finding, ...]
    verdict: NodeVerdict


@dataclass(frozen=True, slots=True)
class Unknown:
    """An identifier that came and that the part's definitions do not hold."""

    label: str
    frames: int
    lengths: tuple[int, ...]
    cycle: MeasuredCycle | None
    first_ns: int


@dataclass(frozen=True, slots=True)
class SentFrame:
    """A frame busplan sent because it was told to, and how soon [ms] its answer came, if it did."""

    frame: str
    purpose: str
    answer_ms: float | None


@dataclass(frozen=True, slots=True)
class BenchReport:
    """The whole proof of one node on one network. Times count from the first frame.

    ``start_up_ns`` is the time from power-on to the node's first frame, where power-on was told.
    """

    node: str
    part: str
    maker: str
    network: str
    span_ns: int
    frames: int
    start_up_ns: int | None
    errors: int
    messages: tuple[MessageProof, ...]
    unknown: tuple[Unknown, ...]
    others: tuple[str, ...]
    findings: tuple[Finding, ...]
    verdict: NodeVerdict
    limits: BenchLimits
