"""``busplan fleet browse``: vehicles, captures, cells over the years; Enter opens the replay."""

from __future__ import annotations

import sys
from contextlib import ExitStack
from typing import TYPE_CHECKING

from busplan.cli.fleet_options import FleetOption, opened

if TYPE_CHECKING:
    from busplan.fleet.catalogue import Fleet
    from busplan.fleet.work import Task


def browse(fleet: FleetOption = "fleet") -> None:
    """Browse a fleet on screen: vehicles, their captures, a cell over the years.

    Enter on a capture opens its replay at the moment of its heaviest finding; leaving the replay
    leads back. busplan fleet ask tells the same without a terminal.

    Example: busplan fleet browse
    """
    from busplan.errors import BusplanError, UsageError
    from busplan.fleet.browsing import Shelf

    store = opened(fleet)
    if not (sys.stdout.isatty() and sys.stdin.isatty()):
        raise UsageError("browse needs a terminal; busplan fleet ask and status tell the same")
    from busplan.screens.fleet_app import FleetApp, Spot, Wanted

    spot, told, shelf = Spot(), "", Shelf(store)
    try:
        while True:
            wanted: Wanted | None = FleetApp(shelf, spot, told).run()
            if wanted is None:
                return
            spot, told = wanted.spot, ""
            task = shelf.task(wanted.capture.run_key)
            if task is None:
                told = (
                    f"{wanted.capture.uri}: the fleet has forgotten it, "
                    "or has another plan for it now"
                )
                continue
            try:
                _replay(store, task, wanted.capture.moment_ns)
            except BusplanError as error:  # the file has moved, say: the others can still be seen
                told = str(error)
    finally:
        shelf.close()


def _replay(store: Fleet, task: Task, moment_ns: int) -> None:
    """The replay of a capture, as it was judged."""
    from busplan.fleet.place import on_this_machine
    from busplan.fleet.plans import opened_plan
    from busplan.fleet.work import open_capture
    from busplan.replay.opening import first_replay
    from busplan.screens.start import run_replay

    vehicle = opened_plan(store.place, task.plan_id)
    with ExitStack() as kept:
        paths = [kept.enter_context(on_this_machine(f.uri)) for f in task.files]
        found = first_replay(open_capture(task, paths, vehicle, cache=True), vehicle)
        run_replay(found, start_ns=min(moment_ns, found.span_ns), play=False)
