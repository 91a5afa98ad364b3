"""Arguments and options that several commands take, each told in one place."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer

from busplan.cli.numbers import moment

PlanFile = Annotated[Path, typer.Argument(help="Plan file (TOML).", show_default=False)]
PlanOfVehicle = Annotated[Path, typer.Option("--plan", help="The vehicle's plan.")]
BrowserOption = Annotated[
    bool, typer.Option("--browser", help="Serve the screens to a browser on this machine.")
]
PortOption = Annotated[int, typer.Option(min=1, max=65535, help="Port for --browser.")]
NetworkOption = Annotated[
    list[str] | None, typer.Option("--network", help="Only this network; repeatable.")
]
NetworkOrChannel = Annotated[
    list[str] | None, typer.Option("--network", help="Only this network or channel.")
]
NetworkInDetail = Annotated[
    list[str] | None,
    typer.Option("--network", help="Only this network, message by message; repeatable."),
]
CodeOption = Annotated[
    list[str] | None, typer.Option("--code", help="Only findings of this code; repeatable.")
]
NewPlanOption = Annotated[
    Path | None,
    typer.Option("--out", help="Write the changed plan to this new file.", show_default=False),
]
BriefOption = Annotated[
    bool, typer.Option("--brief", help="Leave out why it matters and what to do.")
]
JsonOption = Annotated[bool, typer.Option("--json", help="Print JSON.")]
FactsAsJson = Annotated[bool, typer.Option("--json", help="Print its facts as JSON.")]
TextOption = Annotated[bool, typer.Option("--text", help="Print the screen and end.")]
MomentOption = Annotated[
    float | None,
    typer.Option(
        parser=moment,
        metavar="MOMENT",
        help="Moment from the first frame: 90 [s], 1:30 or 0:01:30.5. Default: start; as text, the "
        "end.",
    ),
]
