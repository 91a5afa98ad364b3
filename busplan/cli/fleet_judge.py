"""``busplan fleet judge``: every capture that has no judgement yet, on all cores or a cluster."""

from __future__ import annotations

import os
import signal
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Annotated

import typer

from busplan.cli.fleet_options import FleetOption, VehiclesOption, opened
from busplan.cli.options import JsonOption
from busplan.cli.output import print_json, say

if TYPE_CHECKING:
    from busplan.fleet.run import Run, Told

_EVERY_S = 30.0
"""Without a terminal, a line so often [s]."""


def judge(
    fleet: FleetOption = "fleet",
    vehicle: VehiclesOption = None,
    workers: Annotated[
        int | None,
        typer.Option(
            min=0,
            max=512,
            help="Processes on this machine; 0: in this one. Default: one for each core.",
            show_default=False,
        ),
    ] = None,
    scheduler: Annotated[
        str | None,
        typer.Option(
            metavar="ADDRESS",
            help="Judge on a cluster: the address of its Dask scheduler, such as "
            "tcp://127.0.0.1:8786. Fleet and captures must be reachable from there.",
        ),
    ] = None,
    again: Annotated[
        bool,
        typer.Option("--again", help="Also what has a judgement, and what was refused."),
    ] = False,
    as_json: JsonOption = False,
) -> None:
    """Judge every capture that has no judgement yet.

    Ctrl-C keeps what is done; run it again to go on. Two runs at once share the work. A capture
    that cannot be judged is refused with its reason and not tried again, until it, its plan or the
    judgement version changes; a full disk, a lost worker or store is tried again next time.

    Example: busplan fleet judge --workers 4
    """
    from busplan.errors import UsageError
    from busplan.fleet.engine import engine
    from busplan.fleet.run import Coordinator, tasks_to_do
    from busplan.fleet.upkeep import write_views

    if workers is not None and scheduler is not None:
        raise UsageError("--workers are processes of this machine; a scheduler has its own")
    store = opened(fleet)
    store.place.prepare()
    tasks, run = tasks_to_do(store, _vehicles(store.tasks(), vehicle), again=again)
    if tasks:
        count = (os.cpu_count() or 1) if workers is None else workers
        with (
            engine(store.place.url, min(count, len(tasks)), scheduler) as works,
            _shown(run) as told,
            _asked_to_stop() as stopped,
        ):
            Coordinator(store, works, run, again=again, told=told, stopped=stopped).judge(tasks)
        if not run.error:
            write_views(store)
    if as_json:
        print_json({"fleet": store.place.url} | run.as_dict())
    else:
        _print(run)
    raise typer.Exit(0 if run.whole else 1)


def _vehicles(tasks: list, wanted: list[str] | None) -> list[str]:  # type: ignore[type-arg]
    from busplan.errors import UsageError
    from busplan.plan.problems import suggestion

    known = list(dict.fromkeys(t.vehicle for t in tasks))
    for name in wanted or ():
        if name not in known:
            raise UsageError(
                f'the fleet has no vehicle "{name}"{suggestion(name, known, "vehicle")}'
            )
    return wanted or []


def _print(run: Run) -> None:
    from busplan.wording import counted

    parts = [f"{run.judged - len(run.refused)} judged", f"{run.known} known already"]
    parts += [f"{len(run.refused)} refused"] if run.refused else []
    parts += [f"{len(run.failed)} failed"] if run.failed else []
    speed = ""
    if run.frames:
        speed = (
            f"; {run.frames:,} frames in {run.seconds:,.0f} s, {run.frames / run.seconds:,.0f}/s"
        )
    say(f"{counted(run.total, 'capture')}: {', '.join(parts)}{speed}")
    for name, reason in run.refused:
        say(f"refused: {name}: {reason.removeprefix(f'{name}: ')}")
    for name, reason in run.failed:
        say(f"failed: {name}: {reason.removeprefix(f'{name}: ')}", err=True)
    if run.failed or run.error:
        say(f"busplan: {run.error or 'not all could be judged'}; run it again to go on", err=True)


@contextmanager
def _asked_to_stop() -> Iterator[Callable[[], bool]]:
    """Whether Ctrl-C was pressed: the run then ends at a good moment. A second one ends it now."""
    pressed = False

    def press(number: int, frame: object) -> None:
        nonlocal pressed
        del number, frame
        pressed = True
        signal.signal(signal.SIGINT, signal.default_int_handler)

    if threading.current_thread() is not threading.main_thread():
        yield lambda: False
        return
    before = signal.signal(signal.SIGINT, press)
    try:
        yield lambda: pressed
    finally:
        signal.signal(signal.SIGINT, before)


@contextmanager
def _shown(run: Run) -> Iterator[Told]:
    """A bar by bytes with frames a second and time left; a line now and then without a terminal."""
    from busplan.cli.progress import progress_bar

    told_of = 0
    line_s = time.monotonic()

    def note() -> str:
        done = run.judged + run.known
        rate = run.frames / max(run.seconds, 1e-3)
        bad = f", {len(run.refused)} refused" if run.refused else ""
        bad += f", {len(run.failed)} failed" if run.failed else ""
        return f"{done} of {run.total}{bad}, {rate / 1e6:.2f} M frames/s"

    with progress_bar("judging", max(run.size, 1), worth=True) as step:

        def told(run: Run) -> None:
            nonlocal told_of, line_s
            if step is not None:
                step(run.done_size, note=note())
            elif time.monotonic() - line_s > _EVERY_S:
                line_s = time.monotonic()
                left = ""
                if run.done_size:
                    seconds = run.seconds / run.done_size * (run.size - run.done_size)
                    left = f", {seconds:,.0f} s left"
                say(f"judging: {note()}{left}", err=True)
            for name, reason in (run.refused + run.failed)[told_of:] if step is None else ():
                say(f"{name}: {reason.removeprefix(f'{name}: ')}", err=True)
                told_of += 1

        yield told
    sys.stderr.flush()
