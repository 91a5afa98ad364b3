"""``busplan fleet ask``: ready questions, or one's own in SQL, as table, plot or file."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from busplan.cli.fleet_options import FleetOption, VehiclesOption, opened
from busplan.cli.options import JsonOption
from busplan.cli.output import is_narrow, print_json, print_table, print_text, say

if TYPE_CHECKING:
    from busplan.fleet.reply import Reply

SHOWN = 40
"""Rows that a terminal is shown; files hold all."""


def ask(
    words: Annotated[
        list[str] | None,
        typer.Argument(
            metavar="[QUESTION [ABOUT]]",
            help="cell NUMBER, module NAME, drift, baseline, finding CODE, load [NETWORK], limit "
            "SIGNAL, part PART.",
            show_default=False,
        ),
    ] = None,
    fleet: FleetOption = "fleet",
    vehicle: VehiclesOption = None,
    figure: Annotated[
        str,
        typer.Option(
            help="Of cells: resistance, resistance-10s, milliohm, voltage, sag, capacity, ahead, "
            "rest, temperature. Of modules: exchange, lag, temperature, end. Default: the first.",
            show_default=False,
        ),
    ] = "",
    modules: Annotated[
        bool, typer.Option("--modules", help="drift and baseline: of modules instead of cells.")
    ] = False,
    above: Annotated[
        float | None, typer.Option(help="limit: captures in which the signal was above this.")
    ] = None,
    below: Annotated[
        float | None, typer.Option(help="limit: captures in which the signal was below this.")
    ] = None,
    sql: Annotated[
        str | None,
        typer.Option(
            "--sql",
            help="A question of one's own: one SELECT over judgements, cells, modules, topics, "
            "loads, findings, stats, captures, signals, frames and, for each message, "
            '"network/node/message".',
            show_default=False,
        ),
    ] = None,
    plot: Annotated[
        Path | None,
        typer.Option(help="Draw the answer into this .svg or .png file (needs matplotlib)."),
    ] = None,
    out: Annotated[
        Path | None, typer.Option("--to", help="Write all rows into this .parquet or .csv file.")
    ] = None,
    as_json: JsonOption = False,
) -> None:
    """Ask what the years show: ready questions, or one in SQL; a fleet is only read.

    Ready are: cell NUMBER and module NAME over the years, drift (which ones move against their
    peers, with slope and uncertainty), baseline (first captures against last), finding CODE
    (vehicles with it), load [NETWORK] (highest ever), limit SIGNAL (captures beyond --above or
    --below), part PART (one part type in all vehicles).

    Example: busplan fleet ask cell 53 --vehicle magpie-1 --plot cell_53.svg
    """
    from busplan.errors import UsageError
    from busplan.fleet.desk import opened as asked_of
    from busplan.fleet.questions import QUESTIONS, Asked, answered
    from busplan.fleet.reply import Reply

    given = words or []
    if bool(given) == (sql is not None) or len(given) > 2:
        raise UsageError(
            f"busplan fleet ask wants a question ({', '.join(QUESTIONS)}) and what it is about, or "
            "--sql"
        )
    for path, kinds in ((plot, (".svg", ".png")), (out, (".parquet", ".csv"))):
        if path is not None and path.suffix.lower() not in kinds:
            raise UsageError(f"{path}: is written as {' or '.join(kinds)}")
    with asked_of(opened(fleet)) as desk:
        if sql is not None:
            reply = Reply("what was asked", desk.ask(sql))
        else:
            about = given[1] if len(given) > 1 else ""
            asked = Asked(about, tuple(vehicle or ()), figure, modules, above, below)
            reply = answered(desk, given[0], asked)
    written = _written(reply, plot, out)
    if as_json:
        print_json(reply.as_dict() | {"written": [str(p) for p in written]})
        return
    _print(reply)
    for path in written:
        say(f"written: {path}", err=True)


def _written(reply: Reply, plot: Path | None, out: Path | None) -> list[Path]:
    """The files that were asked for."""
    from busplan.errors import UsageError

    if plot is not None:
        from busplan.cli.fleet_plot import write_plot

        if reply.drawing is None:
            raise UsageError(f"{plot}: there is nothing to draw in this answer")
        write_plot(reply, plot)
    if out is not None:
        from busplan.export.tables import write_table

        write_table(reply.table, out)
    return [path for path in (plot, out) if path is not None]


def _print(reply: Reply) -> None:
    from busplan.wording import counted

    say(reply.title)
    for line in reply.says:
        print_text(line)
    table = reply.table
    if not len(table):
        return
    if is_narrow():
        table = table.drop_columns(list(reply.hidden))
    say()
    heads = [f"{n} [{reply.units[n]}]" if reply.units.get(n) else n for n in table.column_names]
    rows = [
        [_cell(_name(row[n]) if n == "capture" else row[n]) for n in table.column_names]
        for row in _plain_rows(table)
    ]
    numbers = frozenset(i for i, n in enumerate(table.column_names) if _is_number(table[n].type))
    names = frozenset(i for i, n in enumerate(table.column_names) if _is_text(table[n].type))
    print_table(heads, rows, right=numbers, shrink=names)
    if len(table) > SHOWN:
        say(f"and {counted(len(table) - SHOWN, 'more row')}; --to FILE.csv writes all")


def _plain_rows(table: Any) -> list[dict[str, Any]]:
    from busplan.fleet.reply import plain

    rows: list[dict[str, Any]] = plain(table.slice(0, SHOWN)).to_pylist()
    return rows


def _name(uri: Any) -> Any:
    """A capture by its file name; files and JSON tell where it lies."""
    return uri.replace("\\", "/").rpartition("/")[2] if isinstance(uri, str) else uri


def _is_text(kind: Any) -> bool:
    import pyarrow as pa

    return bool(pa.types.is_string(kind) or pa.types.is_nested(kind))


def _is_number(kind: Any) -> bool:
    import pyarrow as pa

    return bool(pa.types.is_floating(kind) or pa.types.is_integer(kind))


def _cell(value: Any) -> str:
    from busplan.wording import plain

    if value is None:
        return "-"
    if isinstance(value, bool):
        return "yes" if value else ""
    if isinstance(value, float):
        return plain(value)
    if hasattr(value, "strftime"):
        return f"{value:%Y-%m-%d %H:%M}"
    return str(value)
