"""Options that the commands of a fleet share, and opening it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from busplan.fleet.catalogue import Fleet

FleetOption = Annotated[
    str,
    typer.Option(
        "--fleet",
        envvar="BUSPLAN_FLEET",
        help="The fleet: a folder, or s3://BUCKET/NAME.",
    ),
]
VehiclesOption = Annotated[
    list[str] | None, typer.Option("--vehicle", help="Only this vehicle; repeatable.")
]


def opened(url: str) -> Fleet:
    """The fleet that lies there; :class:`busplan.errors.UsageError` when there is none."""
    from busplan.fleet.catalogue import Fleet

    return Fleet.at(url)
