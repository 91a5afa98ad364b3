"""What a worker does with one capture: hash, read, judge, decode, write; one row comes back.

The rules of this file: what the capture itself makes impossible is an answer (``refused``). What
the machine, the store or the call makes impossible is an error, and no answer.
"""

from __future__ import annotations

import time
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any, NamedTuple

from busplan.errors import BusplanError, CaptureError
from busplan.fleet.identity import JUDGEMENT_VERSION, run_key
from busplan.fleet.place import Place, facts, is_remote, on_this_machine
from busplan.fleet.schema import MOMENTS

if TYPE_CHECKING:
    from busplan.capture.capture import Capture
    from busplan.plan.vehicle import Vehicle


class TaskFile(NamedTuple):
    """One file of a capture, as it was when it was added."""

    uri: str
    size: int
    changed_ns: int
    sha256: str
    offset_ns: int | None


@dataclass(frozen=True, slots=True)
class Task:
    """One capture to judge."""

    capture_id: str
    vehicle: str
    plan_id: str
    files: tuple[TaskFile, ...]
    channels: tuple[tuple[str, str], ...] = ()
    columns: str = ""
    test: str = ""

    @property
    def run_key(self) -> str:
        """What its judgement is known by."""
        options = {"test": self.test} if self.test else {}
        return run_key(self.capture_id, self.plan_id, options)

    @property
    def size(self) -> int:
        """Bytes of all its files."""
        return sum(f.size for f in self.files)

    @property
    def name(self) -> str:
        """What people call it: its first file."""
        more = len(self.files) - 1
        return f"{self.files[0].uri}{f' and {more} more' if more else ''}"

    @property
    def frames_file(self) -> str:
        """Where its decoded frames belong, in the place of the fleet."""
        return f"frames/vehicle={self.vehicle}/{self.run_key}.parquet"


@dataclass(frozen=True, slots=True)
class Outcome:
    """What came of a task: a row, or an error. ``cpu_s`` is the worker's processor time [s]."""

    row: dict[str, Any] | None
    error: str = ""
    cpu_s: float = 0.0


def work(url: str, task: Task) -> Outcome:
    """Judge one capture of the fleet at ``url``; whatever happens is told, nothing raised."""
    begin = time.process_time()
    try:
        row = _refused_or_judged(Place(url), task)
    except BusplanError as error:
        return Outcome(None, str(error))
    except MemoryError:
        return Outcome(None, "there is not enough memory on this machine")
    except OSError as error:
        place = f" ({error.filename})" if error.filename else ""
        return Outcome(None, f"{error.strerror or error}{place}")
    except Exception as error:  # a fault of busplan: it must not end the other captures
        return Outcome(None, f"unexpected {type(error).__name__}: {error}")
    return Outcome(row, "", time.process_time() - begin)


def _refused_or_judged(place: Place, task: Task) -> dict[str, Any]:
    from busplan.fleet.plans import opened_plan

    vehicle = opened_plan(place, task.plan_id)
    with ExitStack() as kept:
        paths = []
        for file in task.files:
            if facts(file.uri) is None:
                raise FileNotFoundError(2, "is not there any more", file.uri)
            paths.append(kept.enter_context(on_this_machine(file.uri)))
        _check_bytes(task, paths)
        row = _about(task)
        try:
            return row | _judged(place, task, paths, vehicle)
        except CaptureError as error:
            if _of_this_machine(error):
                raise
            text = str(error)
            for path, file in zip(paths, task.files, strict=True):
                text = text.replace(str(path), file.uri)
            return row | {"state": "refused", "error": text}


def _of_this_machine(error: CaptureError) -> bool:
    """Whether another machine or another day could read the capture."""
    from busplan.capture.memory import DoesNotFitError

    return isinstance(error, DoesNotFitError) or isinstance(error.__cause__, OSError)


def _check_bytes(task: Task, paths: list[Path]) -> None:
    from busplan.capture.checksum import sha256_of

    for file, path in zip(task.files, paths, strict=True):
        if sha256_of(path) != file.sha256:
            raise OSError(0, "has changed since it was added; add it again", file.uri)


def _about(task: Task) -> dict[str, Any]:
    return {
        "run_key": task.run_key,
        "capture_id": task.capture_id,
        "plan_id": task.plan_id,
        "engine": JUDGEMENT_VERSION,
        "vehicle": task.vehicle,
        "uri": task.files[0].uri,
        "bytes": task.size,
        "asked_test": task.test,
    }


def _judged(place: Place, task: Task, paths: list[Path], vehicle: Vehicle) -> dict[str, Any]:
    from busplan.fleet.frames_file import write_frames
    from busplan.fleet.row import judged_row

    capture = open_capture(task, paths, vehicle, cache=False)
    with place.making(task.frames_file) as part:
        decoded = write_frames(part, capture.frames, vehicle, task.run_key)
        size = part.stat().st_size
    row = _dated(judged_row(capture, vehicle, decoded, task.test), paths)
    return row | {"frames_file": task.frames_file, "frames_bytes": size}


def _dated(row: dict[str, Any], paths: list[Path]) -> dict[str, Any]:
    """The row with moments counted from its only file's date, where its times tell none."""
    from busplan.capture.written_date import date_written

    written = None if row["dated"] or len(paths) != 1 else date_written(paths[0])
    if written is None:
        return row
    dated = row | {"dated": True, "start_ns": row["start_ns"] + written}
    for part, names in MOMENTS.items():
        for name in names:
            dated[part] = dated[part] | {
                name: [None if t is None else t + written for t in dated[part][name]]
            }
    return dated


def open_capture(task: Task, paths: list[Path], vehicle: Vehicle, *, cache: bool) -> Capture:
    """A capture as it was added, its files at ``paths`` on this machine, channels as networks."""
    from busplan.capture.capture import apply_plan
    from busplan.capture.read import read_capture

    offsets = {
        str(path): file.offset_ns
        for path, file in zip(paths, task.files, strict=True)
        if file.offset_ns is not None
    }
    channels = dict(task.channels)
    opened = read_capture(
        paths, offsets=offsets, channels=channels, columns=task.columns, cache=cache
    )
    return apply_plan(opened, vehicle)


def full_uri(given: str) -> str:
    """A capture's file as the fleet remembers it."""
    return given if is_remote(given) else str(Path(given).absolute())
