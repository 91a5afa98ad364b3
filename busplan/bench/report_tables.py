"""A bench report as tables: of words for people, of numbers for pandas."""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import TYPE_CHECKING

from busplan.bench.node_report import BenchReport, SignalProof
from busplan.findings import Weight
from busplan.wording import plain

if TYPE_CHECKING:
    import pandas as pd

MESSAGE_HEAD = (
    "message",
    "identifier",
    "frames",
    "stated ms",
    "median ms",
    "jitter ms",
    "gap ms",
    "bytes",
    "verdict",
)
MESSAGE_NUMBERS = frozenset(MESSAGE_HEAD[2:7])
SIGNAL_HEAD = ("message", "signal", "lowest", "highest", "unit", "outside", "role")
SIGNAL_NUMBERS = frozenset(("lowest", "highest", "outside"))
UNITS = {"stated_ms": "ms", "median_ms": "ms", "jitter_ms": "ms", "longest_gap_ms": "ms"}
"""Units of the columns of :func:`message_frame`; the others are counts and words."""


def message_rows(report: BenchReport) -> list[list[str]]:
    """One row a message: name, identifier, frames, cycle stated and measured, lengths, verdict."""
    return [
        [
            m.message.name,
            m.message.label,
            str(m.frames),
            "-" if m.expected is None else f"{m.expected.ms:g}",
            "-" if m.cycle is None else plain(m.cycle.median_ns / 1e6),
            "-" if m.cycle is None else plain(m.cycle.jitter_ns / 1e6, 2),
            "-" if m.cycle is None else plain(m.cycle.longest_ns / 1e6),
            " ".join(f"{n}" if len(m.lengths) == 1 else f"{n}:{c}" for n, c in m.lengths.items()),
            m.verdict.value,
        ]
        for m in report.messages
    ]


def signal_rows(report: BenchReport) -> list[list[str]]:
    """One row a signal: range seen, how often outside, what role it plays."""
    return [
        [
            m.message.name,
            s.name,
            number_text(s.lowest),
            number_text(s.highest),
            s.unit,
            str(s.out_of_range),
            _role(s),
        ]
        for m in report.messages
        for s in m.signals
    ]


def number_text(value: float | int | None) -> str:
    """A value as people write it; whole ones in full, as serial numbers need it."""
    if value is None:
        return "-"
    whole = isinstance(value, int) or (value.is_integer() and abs(value) < 2**53)
    return str(int(value)) if whole else f"{value:.6g}"


def _role(signal: SignalProof) -> str:
    words = f"{signal.role}: {signal.detail}" if signal.detail else signal.role
    return f"{words}, constant" if signal.constant else words


def message_frame(report: BenchReport) -> pd.DataFrame:
    """One row a message; what was not measured is missing (``NaN``), not zero.

    ``attrs["units"]`` holds the units, ``attrs["verdict"]`` the verdict over the node.
    """
    import pandas as pd

    def weighing(weight: Weight) -> list[int]:
        return [sum(f.weight is weight for f in m.findings) for m in report.messages]

    cycles = [m.cycle for m in report.messages]
    frame = pd.DataFrame(
        {
            "identifier": [m.message.label for m in report.messages],
            "frames": [m.frames for m in report.messages],
            "stated_ms": _ms(
                None if m.expected is None else m.expected.ns for m in report.messages
            ),
            "median_ms": _ms(c.median_ns if c else None for c in cycles),
            "jitter_ms": _ms(c.jitter_ns if c else None for c in cycles),
            "longest_gap_ms": _ms(c.longest_ns if c else None for c in cycles),
            "out_of_range": [sum(s.out_of_range for s in m.signals) for m in report.messages],
            "faults": weighing(Weight.FAULT),
            "cautions": weighing(Weight.CAUTION),
            "notes": weighing(Weight.NOTE),
            "verdict": [m.verdict.value for m in report.messages],
        },
        index=pd.Index([m.message.name for m in report.messages], name="message"),
    )
    frame.attrs = {"units": dict(UNITS), "verdict": report.verdict.value}
    return frame


def _ms(values: Iterable[int | None]) -> list[float]:
    return [math.nan if ns is None else ns / 1e6 for ns in values]
