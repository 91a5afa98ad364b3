"""Records of several parts of one kind, side by side: verdicts, spreads, who stands out.

The rules of this file: pure. A part stands out when it lies farther from the middle of its peers
than their scatter explains (five times it, by the median of distances) and by an amount that
matters. Common practice, no source.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np

from busplan.bench.golden import number
from busplan.findings import Figure, Finding, Weight, Where, by_weight
from busplan.wording import counted, listing, one_line, plain

FEWEST_PEERS = 4
"""Below so many parts none stands out."""
FAR = 5.0
"""So many scatters away from the middle is out of the ordinary..."""
MATTERS = 0.02
"""... when it is at least this share of the middle, too."""
SCATTER = 1.4826
"""Median of distances to standard deviation, for a normal distribution."""
_SERIAL = re.compile(r"(.*?)(\d{1,9})", re.ASCII)
MOST_MISSING = 1000


@dataclass(frozen=True, slots=True)
class BatchRow:
    """One test: its file, part, serial number, date, verdict, and how many findings weigh."""

    file: str
    node: str
    serial: str
    date: str
    verdict: str
    faults: int
    cautions: int
    worst: str


@dataclass(frozen=True, slots=True)
class Spread:
    """One figure over all parts: least, middle, most, and the serial numbers that stand out."""

    what: str
    unit: str
    parts: int
    least: float
    middle: float
    most: float
    outliers: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class Batch:
    """The whole; ``odd`` are files that are no records."""

    rows: tuple[BatchRow, ...]
    spreads: tuple[Spread, ...]
    findings: tuple[Finding, ...]
    odd: tuple[str, ...] = ()

    @property
    def headline(self) -> str:
        """How many parts there are, and how many of them pass."""
        serials = {r.serial or r.file for r in self.rows}
        passed = sum(r.verdict == "pass" for r in self.rows)
        return (
            f"{counted(len(self.rows), 'record')} of {counted(len(serials), 'part')}: "
            f"{passed} of {len(self.rows)} pass"
        )

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "headline": self.headline,
            "records": [asdict(r) for r in self.rows],
            "spreads": [asdict(s) for s in self.spreads],
            "findings": [f.as_dict() for f in self.findings],
            "no_records": list(self.odd),
        }


def summarise(documents: Mapping[str, Mapping[str, Any]], odd: Iterable[str] = ()) -> Batch:
    """Records by file name, as one table."""
    rows = tuple(_row(name, document) for name, document in documents.items())
    spreads = tuple(_spreads(documents, rows))
    findings = [*_kinds(documents), *_doubles(rows), *_missing(rows), *_outliers(spreads)]
    findings += [_bad(r) for r in rows if r.verdict in ("fail", "doubtful")]
    return Batch(rows, spreads, tuple(by_weight(findings)), tuple(odd))


def _row(file: str, document: Mapping[str, Any]) -> BatchRow:
    raw = document.get("findings")
    told = [f for f in raw if isinstance(f, dict)] if isinstance(raw, list) else []
    weights = Counter(str(f.get("weight")) for f in told)
    heavy = [f for f in told if f.get("weight") == "fault"] or [
        f for f in told if f.get("weight") == "caution"
    ]
    worst = one_line(str(heavy[0].get("summary", "")), 160) if heavy else ""

    def text(key: str) -> str:
        return str(document.get(key) or "")[:80]

    return BatchRow(
        file=file,
        node=text("node"),
        serial=text("serial"),
        date=text("date"),
        verdict=text("verdict"),
        faults=weights["fault"],
        cautions=weights["caution"],
        worst=worst,
    )


def _spreads(
    documents: Mapping[str, Mapping[str, Any]], rows: Iterable[BatchRow]
) -> Iterable[Spread]:
    """Start-up times, rates and jitters, over the parts that have them."""
    figures: dict[tuple[str, str], dict[str, float]] = {}
    for row in rows:
        document = documents[row.file]
        who = row.serial or row.file
        start = number(document.get("start_up_s"))
        if start is not None:
            figures.setdefault(("first frame after power-on", "s"), {})[who] = start
        messages = document.get("messages")
        for message in messages if isinstance(messages, list) else ():
            if not isinstance(message, dict):
                continue
            name = str(message.get("name"))[:80]
            for key, what in (("median_cycle_ms", "median"), ("jitter_ms", "jitter")):
                value = number(message.get(key))
                if value is not None:
                    figures.setdefault((f"{name} {what}", "ms"), {})[who] = value
    for (what, unit), values in figures.items():
        yield _spread(what, unit, values)


def _spread(what: str, unit: str, values: Mapping[str, float]) -> Spread:
    array = np.array(list(values.values()))
    middle = float(np.median(array))
    apart = np.abs(array - middle)
    scatter = SCATTER * float(np.median(apart))
    # Jitter is small and differs by nature: only whole multiples of it matter.
    matters = middle if what.endswith("jitter") else MATTERS * abs(middle)
    far = apart > max(FAR * scatter, matters, 1e-12)
    names = np.array(list(values))[far].tolist() if len(array) >= FEWEST_PEERS else []
    return Spread(
        what, unit, len(array), float(array.min()), middle, float(array.max()), tuple(names)
    )


def _outliers(spreads: Iterable[Spread]) -> Iterable[Finding]:
    by_part: dict[str, list[str]] = {}
    for spread in spreads:
        for who in spread.outliers:
            words = f"{spread.what} (middle {plain(spread.middle)} {spread.unit})"
            by_part.setdefault(who, []).append(words)
    for who, what in by_part.items():
        yield Finding(
            "part-stands-out",
            Weight.CAUTION,
            Where(node=who),
            f"{who} stands out from its peers in {listing(what)}",
            why="Parts of one kind behave alike; the one that does not may fail first.",
            action="Test it again; compare its versions with those of the others.",
            figures=(Figure("figures", len(what)),),
        )


def _kinds(documents: Mapping[str, Mapping[str, Any]]) -> Iterable[Finding]:
    parts = Counter(str(d.get("part")) for d in documents.values())
    if len(parts) > 1:
        yield Finding(
            "parts-mixed",
            Weight.CAUTION,
            Where(),
            f"the records are of {len(parts)} kinds of parts: {listing(parts)}",
            why="Spreads over different kinds mean nothing.",
            action="Keep the records of each kind in a folder of their own.",
        )


def _doubles(rows: Iterable[BatchRow]) -> Iterable[Finding]:
    by_serial: dict[tuple[str, str], list[BatchRow]] = {}
    for row in rows:
        if row.serial:
            by_serial.setdefault((row.node, row.serial), []).append(row)
    for (node, serial), same in by_serial.items():
        if len(same) > 1:
            told = listing(f"{r.verdict} {r.date}".strip() for r in same)
            yield Finding(
                "serial-twice",
                Weight.NOTE,
                Where(node=node),
                f"{serial} was tested {len(same)} times: {told}",
                why="Two labels with one number, or one part tested again.",
                action="See that the last test is the one that counts, and of the same part.",
                figures=(Figure("times", len(same)),),
            )
    nameless = sum(not r.serial for r in rows)
    if nameless:
        yield Finding(
            "serial-not-stated",
            Weight.CAUTION,
            Where(),
            f"{counted(nameless, 'record')} without a serial number",
            why="Nobody can tell which part was tested.",
            action="Test with --serial.",
            figures=(Figure("records", nameless),),
        )


def _missing(rows: Iterable[BatchRow]) -> Iterable[Finding]:
    """Numbers left out of a run of serial numbers that differ in their last digits only."""
    runs: dict[tuple[str, int], set[int]] = {}
    for row in rows:
        found = _SERIAL.fullmatch(row.serial)
        if found is not None:
            runs.setdefault((found[1], len(found[2])), set()).add(int(found[2]))
    for (prefix, digits), there in runs.items():
        span = max(there) - min(there) + 1
        if len(there) < 3 or span > min(2 * len(there), MOST_MISSING):
            continue
        away = [f"{prefix}{n:0{digits}}" for n in range(min(there), max(there)) if n not in there]
        if away:
            yield Finding(
                "serial-missing",
                Weight.NOTE,
                Where(),
                f"{counted(len(away), 'serial number')} between the tested ones "
                f"{'has' if len(away) == 1 else 'have'} no record: {listing(away, 6)}",
                why="A part may have been left out.",
                action="Test it, or note where it is.",
                figures=(Figure("missing", len(away)),),
            )


def _bad(row: BatchRow) -> Finding:
    return Finding(
        "part-not-passed",
        Weight.FAULT if row.verdict == "fail" else Weight.CAUTION,
        Where(node=row.serial or row.node, file=row.file),
        f"{row.serial or row.file}: {row.verdict}: {row.worst}".rstrip(": "),
        why="Its record says what is wrong.",
        action="Open the record; test again when the cause is found.",
    )
