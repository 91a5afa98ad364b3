"""What the screen of a fleet shows: its vehicles, their captures, one figure over the years."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property, lru_cache

from busplan.errors import UsageError
from busplan.fleet.catalogue import Fleet
from busplan.fleet.desk import Desk
from busplan.fleet.figures import CELL
from busplan.fleet.over_years import one_member
from busplan.fleet.reply import Reply
from busplan.fleet.views import text
from busplan.fleet.work import Task

FIGURES = tuple(CELL)


@dataclass(frozen=True, slots=True)
class VehicleLine:
    """One vehicle: its judged captures, how many are not all right, first and last [ns]."""

    vehicle: str
    captures: int
    bad: int
    hours: float
    first_ns: int | None
    last_ns: int | None


@dataclass(frozen=True, slots=True)
class CaptureLine:
    """One judged capture. ``moment_ns`` is that of its heaviest finding from its first frame."""

    run_key: str
    start_ns: int
    dated: bool
    span_s: float
    test: str
    answer: str
    verdict: str
    uri: str
    moment_ns: int
    what: str
    """The heaviest finding, ``""`` without any."""


class Shelf:
    """A fleet opened to be browsed."""

    def __init__(self, fleet: Fleet) -> None:
        self.fleet = fleet
        self._desk = Desk(fleet)
        self.trend = lru_cache(maxsize=256)(self._trend)
        self.captures = lru_cache(maxsize=64)(self._captures)

    def close(self) -> None:
        """Let go of everything."""
        self._desk.close()

    @cached_property
    def vehicles(self) -> tuple[VehicleLine, ...]:
        """All vehicles with a judgement, by name."""
        rows = self._desk.table(
            "SELECT vehicle, count(*) AS n, count(*) FILTER (answer = 'bad') AS bad, "
            "sum(span_s) / 3600 AS hours, min(start_ns) FILTER (dated) AS first, "
            "max(start_ns) FILTER (dated) AS last FROM judgements WHERE state = 'judged' "
            "GROUP BY vehicle ORDER BY vehicle"
        ).to_pylist()
        return tuple(VehicleLine(*row.values()) for row in rows)

    def _captures(self, vehicle: str) -> tuple[CaptureLine, ...]:
        rows = self._desk.table(
            "SELECT run_key, start_ns, dated, span_s, test, answer, verdict, uri, "
            "greatest(coalesce(findings.at_ns[1] - start_ns, 0), 0) AS moment_ns, "
            "CASE WHEN findings.weight[1] = 'note' THEN '' "
            "ELSE coalesce(findings.summary[1], '') END AS what "
            f"FROM judgements WHERE vehicle = {text(vehicle)} AND state = 'judged' "
            "ORDER BY start_ns DESC"
        ).to_pylist()
        return tuple(CaptureLine(*row.values()) for row in rows)

    def _trend(self, vehicle: str, cell: int, figure: str) -> Reply | str:
        """A cell's figure over the years, or why there is none."""
        try:
            return one_member(self._desk, CELL[figure], str(cell), [vehicle], modules=False)
        except UsageError as error:
            return str(error)

    def cells(self, vehicle: str) -> int:
        """How many cells a vehicle has, 0 where none is judged."""
        found = self._desk.table(
            f"SELECT max(len(cells.cell)) AS n FROM judgements WHERE vehicle = {text(vehicle)}"
        )
        return int(found["n"][0].as_py() or 0)

    def task(self, run_key: str) -> Task | None:
        """The capture of a judgement; ``None`` when it is by an older plan, or was forgotten.

        A judgement by an older version of the rules is of the same capture.
        """
        rows = self._desk.table(
            "SELECT capture_id, plan_id, coalesce(asked_test, '') AS test FROM judgements "
            f"WHERE run_key = {text(run_key)}"
        ).to_pylist()
        judged = [tuple(row.values()) for row in rows]
        tasks = self.fleet.tasks()
        return next((t for t in tasks if (t.capture_id, t.plan_id, t.test) in judged), None)
