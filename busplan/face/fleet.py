"""A fleet from Python: captures added and judged, and everything it knows as DataFrames."""

from __future__ import annotations

from collections.abc import Iterable
from os import PathLike
from typing import TYPE_CHECKING, Any, Literal

from busplan.errors import UsageError
from busplan.face.given import a_path, names
from busplan.fleet.delta import store_told

if TYPE_CHECKING:
    from pandas import DataFrame

    from busplan.fleet import catalogue

Rows = Literal["cells", "modules", "topics", "loads", "findings", "stats"]


class Fleet:
    """Many captures of many vehicles, judged once each; needs ``pip install 'busplan[fleet]'``.

    ``place`` is a folder or ``s3://BUCKET/NAME``; ``make`` makes a new fleet there.
    :class:`busplan.UsageError` when there is none.

    * ``captures``, ``judgements``: one row each; ``rows("cells")`` one for each cell of each
      judgement, and so for modules, topics, loads, findings and stats;
    * ``ask``: the ready questions; ``sql``: one SELECT of one's own. A fleet is only read by both.

    High voltage can kill. busplan is not a safety device: it judges what was recorded.

    >>> f = busplan.Fleet("shop", make=True)
    >>> f.add("drive_short.log.gz", vehicle="magpie-1", plan="as_built.toml")["new"]
    ['...drive_short.log.gz']
    >>> f.judge(workers=0)["judged"]
    1
    >>> f.judgements()["test"].tolist(), len(f.rows("cells"))
    (['drive'], 96)
    >>> f.ask("cell", "53").attrs["units"]["value"]
    '%'
    >>> f.sql("SELECT max(peak) < 0.5 AS fine FROM loads")["fine"].tolist()
    [True]
    """

    @store_told
    def __init__(self, place: str | PathLike[str], *, make: bool = False) -> None:
        from busplan.fleet.place import Place

        self._url = Place(a_path(place, "Fleet")).url
        self._opened(make=make)

    def __repr__(self) -> str:
        return f"<Fleet {self._url!r}>"

    def _opened(self, *, make: bool = False) -> catalogue.Fleet:
        from busplan.fleet.catalogue import Fleet as Opened

        return Opened.at(self._url, make=make)

    @store_told
    def add(
        self,
        files: str | PathLike[str] | Iterable[str | PathLike[str]],
        *,
        vehicle: str,
        plan: str | PathLike[str],
        together: bool = False,
        test: str = "",
    ) -> dict[str, Any]:
        """Add captures of a vehicle with their plan, as ``busplan fleet add`` does; what was new.

        ``together``: all files are one capture. ``test`` says what was done.
        """
        import time
        from pathlib import Path

        from busplan.fleet.catalogue import HowToRead, add_captures, listed_files
        from busplan.fleet.plans import read_plan
        from busplan.pack.judging import known_test

        several = [files] if isinstance(files, str | PathLike) else list(files)
        found = listed_files([str(a_path(one, "Fleet.add")) for one in several])
        known_test(test or None)
        told = add_captures(
            self._opened(),
            [found] if together else [[uri] for uri in found],
            vehicle,
            read_plan(Path(plan)),
            time.time_ns,
            HowToRead(test=test),
        )
        return told.as_dict()

    @store_told
    def judge(self, *, workers: int | None = None, again: bool = False) -> dict[str, Any]:
        """Judge what has no judgement yet: by so many processes (0: in this one), all cores else.

        What came of it: counts, refused and failed captures with their reasons.
        """
        import os

        from busplan.fleet.engine import engine
        from busplan.fleet.run import Coordinator, tasks_to_do

        fleet = self._opened()
        tasks, run = tasks_to_do(fleet, [], again=again)
        if tasks:
            count = (os.cpu_count() or 1) if workers is None else workers
            with engine(self._url, min(count, len(tasks)), None) as works:
                Coordinator(fleet, works, run, again=again).judge(tasks)
        return run.as_dict()

    def captures(self) -> DataFrame:
        """One row a capture: vehicle, plan, files, bytes."""
        return self.sql("SELECT * FROM captures ORDER BY vehicle, added_ns")

    def judgements(self) -> DataFrame:
        """One row a judgement that counts, without what is nested in it."""
        return self.sql(
            "SELECT * EXCLUDE (cells, modules, topics, loads, findings, stats) FROM judgements "
            "ORDER BY vehicle, start_ns"
        )

    def rows(self, what: Rows) -> DataFrame:
        """One row for each cell, module, topic, load, finding or signal of every judgement."""
        from busplan.fleet.views import PARTS

        if what not in PARTS:
            raise UsageError(f"what is one of {', '.join(PARTS)}, not {what!r}")
        return self.sql(f"SELECT * FROM {what} ORDER BY vehicle, start_ns")

    @store_told
    def ask(
        self,
        question: str,
        about: str = "",
        *,
        vehicles: Iterable[str] | str | None = None,
        figure: str = "",
        modules: bool = False,
        above: float | None = None,
        below: float | None = None,
    ) -> DataFrame:
        """A ready question, as ``busplan fleet ask`` answers it.

        ``attrs`` of what it gives hold ``title``, ``says`` (the answer in words) and ``units``.
        """
        from busplan.fleet.desk import opened
        from busplan.fleet.questions import Asked, answered

        asked = Asked(str(about), names(vehicles, "Fleet.ask"), figure, modules, above, below)
        with opened(self._opened()) as desk:
            frame: DataFrame = answered(desk, question, asked).to_frame()
        return frame

    @store_told
    def sql(self, text: str) -> DataFrame:
        """What one SELECT gives; :class:`busplan.UsageError` for anything that is none."""
        from busplan.fleet.desk import opened

        with opened(self._opened()) as desk:
            frame: DataFrame = desk.ask(text).to_pandas()
        return frame
