"""How a fleet stands, and keeping it in order: joining small files, sweeping, forgetting."""

from __future__ import annotations

import time
from dataclasses import dataclass, field
from typing import Any

from busplan.errors import UsageError
from busplan.fleet.catalogue import Fleet
from busplan.fleet.lease import Leases
from busplan.fleet.views import views_text
from busplan.plan.problems import suggestion
from busplan.tables import unit

DAY_NS = 86_400_000_000_000
KEEP_HOURS = 24
"""Data files that no version of so many hours needs are removed: who still reads one has time."""


@dataclass(frozen=True, slots=True)
class VehicleStatus:
    """One vehicle of a fleet."""

    vehicle: str
    captures: int
    judged: int
    refused: int
    to_judge: int
    bad: int
    bytes: int = field(metadata=unit("B"))
    frames: int
    hours: float = field(metadata=unit("h"))
    first_ns: int | None = field(metadata=unit("ns"))
    last_ns: int | None = field(metadata=unit("ns"))
    """Of captures with a date."""


@dataclass(frozen=True)
class FleetStatus:
    """All vehicles, what was refused and why, and what the fleet takes."""

    url: str
    vehicles: tuple[VehicleStatus, ...]
    refused: tuple[tuple[str, str], ...]
    frames_bytes: int
    older: int
    """Judgements that newer ones have replaced."""
    running: bool

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        from dataclasses import asdict

        return {
            "fleet": self.url,
            "vehicles": [asdict(v) for v in self.vehicles],
            "refused": [{"capture": c, "reason": r} for c, r in self.refused],
            "frames_bytes": self.frames_bytes,
            "older_judgements": self.older,
            "running": self.running,
        }


_COLUMNS = [
    *("run_key", "vehicle", "state", "answer", "uri", "error", "frames", "span_s"),
    *("start_ns", "dated", "frames_bytes"),
]


def status(fleet: Fleet) -> FleetStatus:
    """How a fleet stands."""
    tasks = fleet.tasks()
    rows = {r["run_key"]: r for r in fleet.judgements.rows(_COLUMNS).to_pylist()}
    vehicles = []
    for vehicle in dict.fromkeys(t.vehicle for t in tasks):
        mine = [t for t in tasks if t.vehicle == vehicle]
        told = [rows[t.run_key] for t in mine if t.run_key in rows]
        done = [r for r in told if r["state"] == "judged"]
        begins = [r["start_ns"] for r in done if r["dated"]]
        vehicles.append(
            VehicleStatus(
                vehicle=vehicle,
                captures=len(mine),
                judged=len(done),
                refused=len(told) - len(done),
                to_judge=len(mine) - len(told),
                bad=sum(r["answer"] == "bad" for r in done),
                bytes=sum(t.size for t in mine),
                frames=sum(r["frames"] for r in done),
                hours=sum(r["span_s"] for r in done) / 3600,
                first_ns=min(begins, default=None),
                last_ns=max(begins, default=None),
            )
        )
    mine_keys = {t.run_key for t in tasks}
    refused = [(r["uri"], r["error"]) for k, r in rows.items() if k in mine_keys and r["error"]]
    return FleetStatus(
        fleet.place.url,
        tuple(vehicles),
        tuple(sorted(refused)),
        sum(r["frames_bytes"] or 0 for r in rows.values()),
        len(rows.keys() - mine_keys),
        Leases(fleet.place).others(),
    )


@dataclass(frozen=True)
class Tidied:
    """What tidying did."""

    files_before: int
    files_after: int
    swept: int
    swept_bytes: int

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        from dataclasses import asdict

        return asdict(self)


def tidy(fleet: Fleet, keep_hours: int = KEEP_HOURS) -> Tidied:
    """Join the small files of the tables, remove old ones, sweep frames that no row names.

    Frames younger than a day stay: a run may be about to name them.
    """
    before = after = 0
    for table in (fleet.judgements, fleet.captures, fleet.signals):
        told = table.compact(keep_hours)
        before, after = before + told[0], after + told[1]
    named = set(fleet.judgements.rows(["frames_file"])["frames_file"].to_pylist())
    old = time.time_ns() - DAY_NS
    swept = [
        entry
        for folder in ("frames", "leases")
        for entry in fleet.place.files(folder)
        if entry.changed_ns < old and entry.path not in named
    ]
    for entry in swept:
        fleet.place.remove(entry.path)
    Leases(fleet.place).sweep()
    write_views(fleet)
    return Tidied(before, after, len(swept), sum(e.size for e in swept))


def write_views(fleet: Fleet) -> None:
    """Make ``views.sql`` anew."""
    fleet.place.write("views.sql", views_text(fleet).encode())


@dataclass(frozen=True)
class Forgotten:
    """What was forgotten: captures, judgements, files of frames."""

    captures: int
    judgements: int
    files: int

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        from dataclasses import asdict

        return asdict(self)


def forget(fleet: Fleet, what: str) -> Forgotten:
    """Forget a vehicle, or a capture by the name of a file or its hash; captures' files stay.

    :class:`UsageError` when the fleet has neither.
    """
    tasks = fleet.tasks()
    chosen = [t for t in tasks if what == t.vehicle]
    if not chosen:
        chosen = [
            t
            for t in tasks
            if what == t.capture_id
            or any(what in (f.uri, f.uri.rpartition("/")[2]) for f in t.files)
        ]
    if not chosen:
        known = [*dict.fromkeys(t.vehicle for t in tasks), *(t.files[0].uri for t in tasks)]
        near = suggestion(what, known, "capture or vehicle")
        raise UsageError(f'the fleet has no vehicle and no capture "{what}"{near}')
    if len({t.capture_id for t in chosen}) > 1 and what not in {t.vehicle for t in chosen}:
        raise UsageError(f'several captures are called "{what}": give the whole path or the hash')
    ids = [t.capture_id for t in chosen]
    rows = fleet.judgements.rows(["capture_id", "frames_file"]).to_pylist()
    files = [r["frames_file"] for r in rows if r["capture_id"] in set(ids) and r["frames_file"]]
    judged = fleet.judgements.remove("capture_id", ids)
    fleet.captures.remove("capture_id", ids)
    for file in files:
        fleet.place.remove(file)
    write_views(fleet)
    return Forgotten(len(ids), judged, len(files))
