"""What a bench test says of a node: limits, proofs of its messages and signals, the verdict.

The rules of this file: values only; the ways to show them are next door.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import TYPE_CHECKING, Any, NamedTuple

from busplan.bench.fault_steps import FaultOutcome, FaultStep
from busplan.bench.starts import PowerCycles, StartUp
from busplan.decode.protection import ChecksumKind
from busplan.definitions.model import Message, Stated
from busplan.findings import Finding, Weight, heaviest, summary_line
from busplan.frames.identifier import FrameKey
from busplan.traffic.cycle_rule import JITTER_CYCLES, TOLERANCE
from busplan.traffic.cycles import MeasuredCycle
from busplan.traffic.silence import SILENT_CYCLES
from busplan.wording import counted

if TYPE_CHECKING:
    import pandas as pd


class NodeVerdict(StrEnum):
    """The judgement over a message or a node."""

    PASS = "pass"
    """Nothing above a note, and everything it should send was seen often enough."""
    NOT_PROVEN = "not proven"
    """Nothing wrong was seen, but not enough was seen to say that nothing is."""
    DOUBTFUL = "doubtful"
    """Cautions: a person has to decide."""
    FAIL = "fail"
    """At least one fault."""
    NOT_JUDGED = "not judged"
    """It never came and the plan calls it optional."""


ANSWERED = frozenset({"request-answered", "request-refused"})
"""That a node said something when it was asked."""

UNPROVEN = frozenset(
    {
        *("message-not-seen", "message-not-due", "frames-too-few", "signal-not-seen"),
        *("rate-not-stated", "node-unacknowledged", "hand-fault-not-shown"),
        *("checksum-not-recognised", "recording-not-whole", "start-not-shown"),
    }
)
"""Codes that say what was not seen; all others above a note say what is wrong."""


def verdict_of(findings: tuple[Finding, ...]) -> NodeVerdict:
    """The verdict that findings amount to."""
    weight = heaviest(findings)
    if weight is Weight.FAULT:
        return NodeVerdict.FAIL
    if any(f.weight is Weight.CAUTION and f.code not in UNPROVEN for f in findings):
        return NodeVerdict.DOUBTFUL
    return NodeVerdict.PASS if weight is Weight.NOTE else NodeVerdict.NOT_PROVEN


class SupplySignal(NamedTuple):
    """The signal of another sender on the bench that shows the node's supply, by name."""

    message: str
    signal: str


@dataclass(frozen=True, slots=True)
class BenchLimits:
    """How exact a node has to be. All of them: common practice, no source; all can be set.

    * ``cycle_tolerance``: allowed deviation of the median cycle time, share of the definition;
    * ``gap_cycles``: longest silence between two frames of a message, in cycles;
    * ``jitter_cycles``: how far the distance of two frames may lie from the median, in cycles;
    * ``power_on_ns``: when the node got power, counted from the capture's first frame; ``None``:
      nobody told, so the start-up time is not measured;
    * ``hand_ns``: how much later than the prompt the supply may have come, by the tester's hand;
    * ``supply``: a signal that shows the supply, so that no hand counts;
    * ``start_within_ns``: time from there to its first frame, ``None``: not judged;
    * ``begin_ns``: since when was listened, counted likewise (below zero: before the first frame);
      ``None``: since the first frame;
    * ``end_ns``: until when was listened, counted likewise; ``None``: until the last frame;
    * ``power_cycles``: when the tester was told to switch the node off and on again, counted
      likewise;
    * ``faults``: the faults that the tester was told to make by hand, counted likewise;
    * ``acknowledges``: the recording adapter was on the bus itself, so a fault may silence it, too;
    * ``lost``: when the recording lost frames, counted likewise, and why;
    * ``quiet_cycles``: silence after a bus error, in cycles of the node's quickest message;
    * ``checksums``: message name → how its checksum byte is made, when told rather than found.
    """

    cycle_tolerance: float = TOLERANCE
    gap_cycles: float = SILENT_CYCLES
    jitter_cycles: float = JITTER_CYCLES
    power_on_ns: int | None = None
    hand_ns: int = 0
    supply: SupplySignal | None = None
    start_within_ns: int | None = None
    begin_ns: int | None = None
    end_ns: int | None = None
    power_cycles: tuple[tuple[int, int], ...] = ()
    faults: tuple[FaultStep, ...] = ()
    acknowledges: bool = False
    lost: tuple[tuple[int, int, str], ...] = ()
    quiet_cycles: float = 5.0
    checksums: Mapping[str, ChecksumKind] = field(default_factory=dict)


@dataclass(frozen=True, slots=True, kw_only=True)
class SignalProof:
    """One signal: values seen [``unit``] and how it behaved.

    ``role`` is ``value``, ``counter``, ``checksum``, ``selector``, ``text`` or ``identity``;
    ``detail`` says in words what was found out about it, and what a text said.
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


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class MessageProof:
    """One message the node should send, as measured. ``lengths`` maps bytes to frame counts.

    ``drift_shown`` is the share of its cycle by which its distances had to drift to be seen;
    ``None`` when they were too few, or it keeps no cycle.
    """

    message: Message
    expected: Stated | None
    frames: int
    cycle: MeasuredCycle | None
    lengths: Mapping[int, int]
    signals: tuple[SignalProof, ...]
    findings: tuple[Finding, ...]
    verdict: NodeVerdict
    drift_shown: float | None = None

    def __repr__(self) -> str:
        came = counted(self.frames, "frame")
        return f"<{self.message.name} {self.message.label}: {self.verdict}, {came}>"


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
    """A frame busplan sent because it was told to, and how soon [ms] its answer came, if it did.

    ``answer`` holds the last answer's bytes in hexadecimal, without those of the transport. When it
    was sent several ``times``, ``answer_ms`` is the median of the ``answered`` ones. ``refused``
    says why the node refused. ``fed`` marks what was sent cyclically and asks nothing.
    """

    frame: str
    purpose: str
    answer_ms: float | None
    answer: str = ""
    refused: str = ""
    times: int = 1
    answered: int | None = None
    shortest_ms: float | None = None
    longest_ms: float | None = None
    fed: bool = False


@dataclass(frozen=True, slots=True)
class Asked:
    """What of the bench's traffic came because busplan asked.

    ``answers`` are identifiers of answers, which need no definition; ``messages`` those of the node
    that were asked for, which need not come by themselves; ``told`` what answers say the node is.
    """

    answers: frozenset[FrameKey] = frozenset()
    messages: frozenset[str] = frozenset()
    told: tuple[tuple[str, str], ...] = ()


NOTHING_ASKED = Asked()


@dataclass(frozen=True, slots=True, kw_only=True, repr=False)
class BenchReport:
    """The whole proof of one node on one network. Times count from the first frame.

    ``start`` is the time from power-on to the node's first frame, where power-on is known.
    ``invented`` marks demo data. ``identity`` is what the node says of itself: names and texts.
    ``versions`` is what the definition files say of their own version. ``starts`` is what power
    cycles showed, where there were any, ``faults`` what faults by hand did.
    """

    node: str
    part: str
    maker: str
    network: str
    span_ns: int
    frames: int
    start: StartUp | None
    errors: int
    messages: tuple[MessageProof, ...]
    unknown: tuple[Unknown, ...]
    others: tuple[str, ...]
    findings: tuple[Finding, ...]
    verdict: NodeVerdict
    limits: BenchLimits
    invented: bool = False
    identity: tuple[tuple[str, str], ...] = ()
    versions: tuple[str, ...] = ()
    starts: PowerCycles | None = None
    faults: tuple[FaultOutcome, ...] = ()

    @property
    def start_up_ns(self) -> int | None:
        """The time from power-on to its first frame at most [ns]; ``None`` when not measured."""
        return None if self.start is None else self.start.most_ns

    @property
    def headline(self) -> str:
        """The verdict in one sentence."""
        words = {
            NodeVerdict.PASS: "pass: it sends what its definition says",
            NodeVerdict.DOUBTFUL: "doubtful: a person has to look at the cautions",
            NodeVerdict.FAIL: "fail: it differs from its definition",
            NodeVerdict.NOT_PROVEN: "not proven: nothing wrong was seen, but not enough to pass it",
            NodeVerdict.NOT_JUDGED: "not judged: nothing of it was asked for",
        }
        codes = {f.code for f in self.findings}
        if "node-silent" in codes:
            came = "none of its messages, but answers" if codes & ANSWERED else "nothing of it"
            return f"{self.node}: fail: {came} came"
        return f"{self.node}: {words[self.verdict]}"

    @property
    def counts(self) -> str:
        """How many faults, cautions and notes; messages that nothing was found against."""
        passed = sum(m.verdict is NodeVerdict.PASS for m in self.messages)
        return f"{summary_line(self.findings)}; {passed} of {len(self.messages)} messages pass"

    def to_frame(self) -> pd.DataFrame:
        """One row a message: frames, cycle times [ms], findings, verdict; units in ``attrs``."""
        from busplan.bench.report_tables import message_frame

        return message_frame(self)

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON; times in the units their names end with."""
        from busplan.bench.record import report_dict

        return report_dict(self)

    def to_html(self) -> str:
        """One self-contained page; who tested, when and from which file is not stated on it.

        :class:`~busplan.bench.record.BenchRecord` holds those too.
        """
        from busplan.bench.page import to_html
        from busplan.bench.record import BenchRecord

        return to_html(BenchRecord(self))

    def __repr__(self) -> str:
        heard = f"{counted(self.frames, 'frame')} in {self.span_ns / 1e9:.3f} s"
        return f"<BenchReport {self.headline}; {self.counts}; {heard} on {self.network}>"

    def _repr_html_(self) -> str:
        """The verdict and the messages, for a notebook."""
        from html import escape

        told = escape(f"{self.headline} ({self.counts})")
        table: str = self.to_frame().to_html(na_rep="-")
        return f"<p>{told}</p>{table}"
