"""``busplan fleet``: thousands of captures of tens of vehicles, judged once and asked for years."""

from __future__ import annotations

from collections.abc import Callable
from functools import wraps
from typing import TYPE_CHECKING, Annotated, Any

import typer

from busplan.cli import fleet_ask, fleet_browse, fleet_judge
from busplan.cli.captures import AS_RECORDED, Opening, opens_captures
from busplan.cli.fleet_options import FleetOption, opened
from busplan.cli.options import JsonOption, PlanOfVehicle
from busplan.cli.output import EXIT_OF_FLEET, print_json, print_table, say

if TYPE_CHECKING:
    from busplan.fleet.catalogue import Added
    from busplan.fleet.upkeep import FleetStatus


def register(app: typer.Typer) -> None:
    """Add the command with those below it."""
    group = typer.Typer(
        no_args_is_help=True,
        rich_markup_mode=None,
        epilog=EXIT_OF_FLEET,
        help="Judge many captures of many vehicles, and ask what changes over the years.\n\n"
        "A fleet is a folder, or s3://BUCKET/NAME, with a table of judgements and the decoded "
        "frames. Captures are known by their content and judged once; a run may be stopped at any "
        "moment and goes on when it is run again. High voltage can kill. busplan is not a safety "
        "device: it judges what was recorded.\n\n"
        "Example: busplan fleet status --fleet shop-fleet",
    )
    commands: tuple[Callable[..., None], ...] = (
        *(add, fleet_judge.judge, status, fleet_ask.ask, fleet_browse.browse, tidy, forget),
    )
    for command in commands:
        group.command(command.__name__, epilog=EXIT_OF_FLEET)(_telling(command))
    app.add_typer(group, name="fleet")


def _telling(command: Callable[..., None]) -> Callable[..., None]:
    """The command; a store that does not answer is one error."""

    @wraps(command)
    def told(**typed: Any) -> None:
        from busplan.fleet.delta import store_told

        store_told(command)(**typed)

    return told


@opens_captures
def add(
    files: Annotated[
        list[str],
        typer.Argument(
            metavar="FILE",
            help="Captures: files, folders (all captures below), s3://BUCKET/KEY or "
            "s3://BUCKET/NAME/.",
            show_default=False,
        ),
    ],
    vehicle: Annotated[str, typer.Option(help="The vehicle they are of.", show_default=False)],
    plan: PlanOfVehicle,
    fleet: FleetOption = "fleet",
    together: Annotated[
        bool,
        typer.Option(
            "--together",
            help="All files named are one capture: one for each adapter, or split by time.",
        ),
    ] = False,
    test: Annotated[
        str,
        typer.Option(
            help="What was done: warm-up, drive, charge, rest or key-on; found from the signals if "
            "left out.",
            show_default=False,
        ),
    ] = "",
    opening: Opening = AS_RECORDED,
    as_json: JsonOption = False,
) -> None:
    """Add captures of a vehicle, with the plan they are to be judged by.

    Files are read once, to know them by their content; they stay where they are. Adding them again
    with another plan has them judged by that one.

    Example: busplan fleet add logs/ --vehicle magpie-1 --plan as_built.toml
    """
    import time
    from pathlib import Path

    from busplan.cli.progress import progress_bar
    from busplan.errors import CaptureError
    from busplan.fleet.catalogue import Fleet, add_captures, check_vehicle, listed_files
    from busplan.fleet.place import facts
    from busplan.fleet.plans import read_plan
    from busplan.pack.judging import known_test

    check_vehicle(vehicle)
    known_test(test or None)
    given = read_plan(Path(plan))
    found = listed_files(files)
    store = Fleet.at(fleet, make=True)
    size = sum(there[0] for uri in found if (there := facts(uri)))
    done = 0
    with progress_bar("adding", size, worth=size > 100_000_000) as step:

        def read(more: int) -> None:
            nonlocal done
            done += more
            if step is not None:
                step(done, note=f"{done / 1e9:,.1f} GB")

        told = add_captures(
            store,
            [found] if together else [[uri] for uri in found],
            vehicle,
            given,
            time.time_ns,
            opening.how_to_read(test),
            read,
        )
    if told.missing and not (told.new or told.changed or told.known or told.elsewhere):
        raise CaptureError(*(f"{name}: {reason}" for name, reason in told.missing))
    if as_json:
        print_json(
            {"fleet": store.place.url, "vehicle": vehicle, "plan_id": given.id} | told.as_dict()
        )
    else:
        _print_added(told, vehicle, given.vehicle.invented)
    raise typer.Exit(0 if told.whole else 1)


def _print_added(told: Added, vehicle: str, invented: bool) -> None:
    from busplan.wording import counted

    parts = [
        f"{len(told.new)} new",
        f"{len(told.changed)} with another plan or test" if told.changed else "",
        f"{len(told.known)} known already" if told.known else "",
    ]
    whose = f"{vehicle}{' (invented)' if invented else ''}"
    count = len(told.new) + len(told.changed) + len(told.known)
    say(f"{counted(count, 'capture')} of {whose}: {', '.join(p for p in parts if p)}")
    for name, other in told.elsewhere:
        say(
            f"not added: {name} is a capture of {other}; busplan fleet forget it there first",
            err=True,
        )
    for name, reason in told.missing:
        say(f"not added: {name}: {reason}", err=True)


def status(fleet: FleetOption = "fleet", as_json: JsonOption = False) -> None:
    """How the fleet stands: vehicles, captures, what is still to be judged, what was refused.

    Example: busplan fleet status
    """
    from busplan.fleet.upkeep import status as told_of

    told = told_of(opened(fleet))
    if as_json:
        print_json(told.as_dict())
    else:
        _print_status(told)


def _print_status(told: FleetStatus) -> None:
    from busplan.wording import counted, moment_text

    at_work = ", a run is at work" if told.running else ""
    say(f"{told.url}: frames {told.frames_bytes / 1e6:,.1f} MB{at_work}")
    print_table(
        ["vehicle", "captures", "judged", "not all right", "refused", "to judge", "hours", "last"],
        [
            [
                v.vehicle,
                f"{v.captures:,}",
                f"{v.judged:,}",
                f"{v.bad:,}",
                f"{v.refused:,}",
                f"{v.to_judge:,}",
                f"{v.hours:,.1f}",
                "-" if v.last_ns is None else moment_text(v.last_ns, epoch=True)[:10],
            ]
            for v in told.vehicles
        ],
        right=frozenset({1, 2, 3, 4, 5, 6}),
        shrink=frozenset({0}),
    )
    for name, reason in told.refused[:20]:
        say(f"refused: {name}: {reason.removeprefix(f'{name}: ')}")
    if len(told.refused) > 20:
        say(f"and {len(told.refused) - 20} more refused; --json lists all")
    if told.older:
        say(f"{counted(told.older, 'judgement')} by an older plan or judgement version are kept")


def tidy(
    fleet: FleetOption = "fleet",
    keep_hours: Annotated[
        int, typer.Option(min=0, max=100_000, help="Keep files that a version so old still needs.")
    ] = 24,
    as_json: JsonOption = False,
) -> None:
    """Join the small files of the tables, and sweep what stopped runs have left.

    Frames that no judgement names are removed once they are a day old.

    Example: busplan fleet tidy
    """
    from busplan.fleet.upkeep import tidy as put_in_order

    told = put_in_order(opened(fleet), keep_hours)
    if as_json:
        print_json(told.as_dict())
        return
    say(f"{told.files_before} files of tables are {told.files_after} now")
    say(f"{told.swept} left over files swept, {told.swept_bytes / 1e6:,.1f} MB")


def forget(
    what: Annotated[
        str,
        typer.Argument(
            metavar="CAPTURE|VEHICLE",
            help="A vehicle, or a capture by its path, file name or hash.",
            show_default=False,
        ),
    ],
    fleet: FleetOption = "fleet",
    as_json: JsonOption = False,
) -> None:
    """Forget a capture or a whole vehicle: its judgements and frames. Capture files stay.

    Example: busplan fleet forget magpie-1
    """
    from busplan.fleet.upkeep import forget as leave_out
    from busplan.wording import counted

    told = leave_out(opened(fleet), what)
    if as_json:
        print_json(told.as_dict())
        return
    say(
        f"{what}: {counted(told.captures, 'capture')}, {counted(told.judgements, 'judgement')} and "
        f"{counted(told.files, 'file')} of frames forgotten"
    )
