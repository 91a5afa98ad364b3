"""The tables of a report as rows, for CSV and Parquet."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from busplan.pack.drift import Topic
from busplan.pack.drift_told import kept_told
from busplan.report.contents import Report, rows_of
from busplan.wording import percent, plain

Cell = str | int | float | None


@dataclass(frozen=True, slots=True)
class Sheet:
    """One table: a name for its file, a title, its columns and rows."""

    name: str
    title: str
    head: tuple[str, ...]
    rows: tuple[tuple[Cell, ...], ...]


def sheets_of(report: Report) -> tuple[Sheet, ...]:
    """Tests, nodes, captures, and what is kept of modules and cells."""
    label = report.vehicle.label
    table = report.commissioning.table()
    units = {c.name: c.unit for c in table.columns}
    head = tuple(f"{n} [{u}]" if u else n for n, u in units.items())
    found = [
        Sheet(
            "tests",
            f"Tests of {label}",
            head,
            tuple(tuple(_cell(getattr(r, n)) for n in units) for r in table.rows),
        ),
        Sheet(
            "nodes",
            f"Nodes of {label}",
            ("node", "part", "maker", "place", "networks", "told"),
            tuple(
                (n.node, n.part, n.maker, n.place, ", ".join(n.networks), "; ".join(n.told))
                for n in report.nodes
            ),
        ),
        Sheet(
            "captures",
            f"Captures of {label}",
            ("entry", "entered", "by", "capture", "from", "span [s]", "bytes", "sha256"),
            tuple(
                (
                    e.number,
                    e.time,
                    e.who,
                    str(c["name"]),
                    str(c["from"]),
                    float(c["span_s"]),
                    int(c["bytes"]),
                    str(c["sha256"]),
                )
                for e, c in report.captures
            ),
        ),
    ]
    for kind in ("modules", "cells"):
        found += _kept(report, kind)
    return tuple(found)


def _kept(report: Report, kind: str) -> list[Sheet]:
    """What each judged pack says of its modules or cells: the build's baseline."""
    rows: list[Mapping[str, Any]] = []
    for state, entry, pack in report.packs():
        own = {"test": state.test.name, "entry": entry.number}
        rows += [own | dict(r) for r in rows_of(pack, kind)]
    if not rows:
        return []
    head = tuple(dict.fromkeys(k for r in rows for k in r))
    values = tuple(tuple(_cell(r.get(k)) for k in head) for r in rows)
    return [Sheet(kind, f"Baseline of {report.vehicle.label}: {kind}", head, values)]


def _cell(value: Any) -> Cell:
    if value is None or isinstance(value, str | int | float):
        return value
    return str(value)


def baseline_rows(report: Report) -> Sequence[tuple[str, str, str]]:
    """The figures kept for later captures: topic, how many, under what conditions."""
    found = []
    for state, _, _ in report.packs():
        assert state.proof is not None
        kept = (state.proof[1].figures or {}).get("baseline")
        topics = kept.get("figures") if isinstance(kept, Mapping) else None
        for topic, figures in topics.items() if isinstance(topics, Mapping) else ():
            if topic not in list(Topic) or not isinstance(figures, Mapping):
                continue
            listed = figures.get("value")
            numbers = listed if isinstance(listed, list) else []
            values = [v for v in numbers if isinstance(v, int | float)]
            if values:
                told, factor, unit = kept_told(Topic(topic))
                ends = (min(values) * factor, max(values) * factor)
                spread = f"{len(values)}: {plain(ends[0])} to {plain(ends[1])} {unit}"
                conditions = str(figures.get("conditions") or "-")
                found.append((f"{told} ({state.test.name})", spread, conditions))
    return [*found, *_of_networks(report)]


def _of_networks(report: Report) -> Iterator[tuple[str, str, str]]:
    """Loads, periods and insulation that are kept."""
    for state in report.commissioning.tests:
        figures = {} if state.proof is None else state.proof[1].figures or {}
        subject = state.test.subject
        mean, cycles, ohms = (figures.get(k) for k in ("mean", "cycles_ms", "insulation"))
        if state.test.kind == "load" and isinstance(mean, int | float):
            over = figures.get("recorded_s")
            span = f"over {over:.0f} s" if isinstance(over, int | float) else "-"
            yield f"load of {subject}", percent(mean, 2), span
        elif state.test.kind == "cycles" and isinstance(cycles, Mapping) and cycles:
            yield f"periods on {subject}", f"{len(cycles)} messages", "-"
        elif isinstance(ohms, Mapping) and isinstance(ohms.get("value"), int | float):
            yield f"insulation ({state.test.name})", f"{ohms['value']:.0f} Ω/V", "the lowest"
