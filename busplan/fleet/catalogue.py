"""The captures of a fleet: added with their vehicle and plan, known by their content.

Rows are only added. Of a capture the row added last counts, so adding it again with a newer plan
has it judged by that plan; what the older one gave stays until it is forgotten.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from hashlib import sha256
from pathlib import Path
from typing import Any

from busplan.errors import UsageError
from busplan.fleet import schema
from busplan.fleet.delta import Table
from busplan.fleet.identity import FileIdentity, capture_id
from busplan.fleet.place import Place, facts, files_of_store, is_remote, on_this_machine
from busplan.fleet.plans import GivenPlan, keep_plan
from busplan.fleet.units import signal_rows
from busplan.fleet.work import Task, TaskFile, full_uri

_VEHICLE = re.compile(r"[\w][\w .-]{0,62}[\w.-]?")
"""What a vehicle may be called: it becomes part of the names of folders and objects."""
SUFFIXES = (".log", ".asc", ".blf", ".csv", ".trc", ".db", ".mf4")
"""Files that are taken out of a folder, gzipped ones too."""


class Fleet:
    """The tables of one fleet, wherever it lies."""

    def __init__(self, place: Place) -> None:
        self.place = place
        self.captures = Table(place, "captures", schema.captures(), "entry")
        self.judgements = Table(place, "judgements", schema.judgements(), "run_key", "vehicle")
        self.signals = Table(place, "signals", schema.signals(), "entry")

    @staticmethod
    def at(url: str, *, make: bool = False) -> Fleet:
        """The fleet that lies there; :class:`UsageError` when there is none, unless ``make``."""
        needs_libraries()
        fleet = Fleet(Place(url))
        if make:
            fleet.place.prepare()
            for table in (fleet.judgements, fleet.signals, fleet.captures):
                table.open(make=True)
        elif fleet.captures.open() is None:
            raise UsageError(f"{fleet.place.url}: there is no fleet; busplan fleet add makes one")
        return fleet

    def tasks(self) -> list[Task]:
        """Every capture as it was added last, by vehicle and first file."""
        latest: dict[str, dict[str, Any]] = {}
        for row in self.captures.rows().to_pylist():
            known = latest.get(row["capture_id"])
            if known is None or row["added_ns"] >= known["added_ns"]:
                latest[row["capture_id"]] = row
        return sorted(map(_task, latest.values()), key=lambda t: (t.vehicle, t.files[0].uri))


def needs_libraries() -> None:
    """:class:`UsageError` unless the libraries of a fleet are installed."""
    from importlib.util import find_spec

    missing = [n for n in ("distributed", "deltalake", "duckdb", "fsspec") if find_spec(n) is None]
    if missing:
        raise UsageError(f"a fleet needs {', '.join(missing)}: pip install 'busplan[fleet]'")


def _task(row: Mapping[str, Any]) -> Task:
    return Task(
        row["capture_id"],
        row["vehicle"],
        row["plan_id"],
        tuple(TaskFile(*(file[n] for n in TaskFile._fields)) for file in row["files"]),
        tuple((c["channel"], c["name"]) for c in row["channels"] or ()),
        row["columns"] or "",
        row["test"] or "",
    )


def check_vehicle(name: str) -> str:
    """The name of a vehicle; :class:`UsageError` when it cannot be one."""
    if not _VEHICLE.fullmatch(name):
        raise UsageError(
            f'"{name}" cannot name a vehicle: letters, digits, blanks and "-._", 64 at most, '
            "beginning with a letter or digit"
        )
    return name


def listed_files(given: Sequence[str]) -> list[str]:
    """Files as the fleet names them; of a folder, or ``s3://BUCKET/NAME/``, all captures below."""
    found: list[str] = []
    for name in given:
        if is_remote(name) and name.endswith("/"):
            below = sorted(f"s3://{path}" for path in files_of_store().find(name))
        elif not is_remote(name) and Path(name).is_dir():
            below = sorted(str(p) for p in Path(name).rglob("*") if p.is_file())
        else:
            found.append(full_uri(name))
            continue
        found += [full_uri(p) for p in below if _is_capture(p)]
    if not found:
        raise UsageError(f"no capture below {', '.join(given)} (known: {', '.join(SUFFIXES)})")
    return list(dict.fromkeys(found))


def _is_capture(path: str) -> bool:
    return path.lower().removesuffix(".gz").endswith(SUFFIXES)


@dataclass(frozen=True)
class Added:
    """What became of the captures named: new, with another plan, known, of another vehicle."""

    new: list[str] = field(default_factory=list)
    changed: list[str] = field(default_factory=list)
    known: list[str] = field(default_factory=list)
    elsewhere: list[tuple[str, str]] = field(default_factory=list)
    """Captures that are another vehicle's, and whose."""
    missing: list[tuple[str, str]] = field(default_factory=list)
    """Files that cannot be read, and why."""

    def as_dict(self) -> dict[str, Any]:
        """Plain values for JSON."""
        return {
            "new": self.new,
            "changed": self.changed,
            "known": self.known,
            "of_another_vehicle": [{"capture": c, "vehicle": v} for c, v in self.elsewhere],
            "unreadable": [{"file": f, "reason": r} for f, r in self.missing],
        }

    @property
    def whole(self) -> bool:
        """Whether every capture is in the fleet as asked."""
        return not self.elsewhere and not self.missing


@dataclass(frozen=True)
class HowToRead:
    """What is told of captures as they are added: the options of every command that opens some."""

    offsets: Mapping[str, int] = field(default_factory=dict)
    channels: Mapping[str, str] = field(default_factory=dict)
    columns: str = ""
    test: str = ""


def add_captures(
    fleet: Fleet,
    groups: Sequence[Sequence[str]],
    vehicle: str,
    plan: GivenPlan,
    now_ns: Callable[[], int],
    how: HowToRead = HowToRead(),
    progress: Callable[[int], None] | None = None,
) -> Added:
    """Add captures, each of one or several files (their full names), to a vehicle.

    Files whose size and time are as the fleet knows them are not read again. ``progress`` is told
    bytes done. Every hundred captures are committed, so that a stopped run is no lost work.
    """
    check_vehicle(vehicle)
    _check_offsets(how.offsets, [uri for group in groups for uri in group])
    keep_plan(fleet.place, plan)
    fleet.signals.add(signal_rows(plan.id, plan.vehicle))
    known = {t.capture_id: t for t in fleet.tasks()}
    hashes = {(f.uri, f.size, f.changed_ns): f.sha256 for t in known.values() for f in t.files}
    told, rows = Added(), []
    for group in groups:
        files = _files(group, how, hashes, told, progress)
        if files is None:
            continue
        made = Task(
            capture_id(
                [FileIdentity(f.sha256, f.offset_ns) for f in files], how.channels, how.columns
            ),
            vehicle,
            plan.id,
            files,
            tuple(how.channels.items()),
            how.columns,
            how.test,
        )
        before = known.get(made.capture_id)
        if before is not None and before.vehicle != vehicle:
            told.elsewhere.append((made.name, before.vehicle))
            continue
        if before == made or (before is not None and _same_but_place(before, made)):
            told.known.append(made.name)
            continue
        (told.new if before is None else told.changed).append(made.name)
        rows.append(_row(made, plan.name, now_ns(), before))
        known[made.capture_id] = made
        if len(rows) == 100:
            fleet.captures.add(rows)
            rows = []
    fleet.captures.add(rows)
    return told


def _same_but_place(before: Task, made: Task) -> bool:
    """Whether only names or times of files differ and those known are still there."""
    told = (before.plan_id, before.test)
    return told == (made.plan_id, made.test) and all(
        facts(f.uri) == (f.size, f.changed_ns) for f in before.files
    )


def _check_offsets(offsets: Mapping[str, int], uris: Sequence[str]) -> None:
    names = {uri.rpartition("/")[2] for uri in uris} | set(uris)
    for name in offsets:
        if name not in names:
            raise UsageError(f"--offset names {name}, which is not among the captures")


def _files(
    group: Sequence[str],
    how: HowToRead,
    hashes: Mapping[tuple[str, int, int], str],
    told: Added,
    progress: Callable[[int], None] | None,
) -> tuple[TaskFile, ...] | None:
    """The files of a capture as they are now; ``None`` when one cannot be read."""
    from busplan.capture.checksum import sha256_of

    files = []
    for uri in group:
        try:
            found = facts(uri)
            if found is None:
                told.missing.append((uri, "there is no such file"))
                return None
            digest = hashes.get((uri, *found), "")
            if not digest:
                with on_this_machine(uri) as path:
                    digest = sha256_of(path)
            if not digest:
                told.missing.append((uri, "it is no ordinary file, or cannot be read"))
                return None
        except OSError as error:
            told.missing.append((uri, error.strerror or str(error)))
            return None
        name = uri.rpartition("/")[2]
        files.append(TaskFile(uri, *found, digest, how.offsets.get(uri, how.offsets.get(name))))
        if progress:
            progress(found[0])
    return tuple(files)


def _row(task: Task, plan: str, now_ns: int, before: Task | None) -> dict[str, Any]:
    """A row of the catalogue; its key says what it follows, so that each is written once."""
    named = repr((task, now_ns if before else 0))
    return {
        "entry": sha256(named.encode()).hexdigest(),
        "capture_id": task.capture_id,
        "vehicle": task.vehicle,
        "plan_id": task.plan_id,
        "plan": plan,
        "test": task.test,
        "columns": task.columns,
        "channels": [{"channel": c, "name": n} for c, n in task.channels],
        "files": [f._asdict() for f in task.files],
        "bytes": task.size,
        "added_ns": now_ns,
    }
