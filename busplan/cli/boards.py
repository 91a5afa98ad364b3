"""Which boards a command shows: those of a file that is named, or that lies beside the plan."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from collections.abc import Sequence

    from busplan.board.desk import BoardDesk
    from busplan.board.model import Boards
    from busplan.plan.vehicle import Vehicle
    from busplan.replay.replay import Replay

BoardOption = Annotated[
    Path | None,
    typer.Option(
        "--board",
        help="Boards, limits and note presets. Default: the plan's own (its board key, or "
        "PLAN.board.toml beside it), else a board made of what is there.",
    ),
]


def find_boards(board: Path | None, plan: Path | None, vehicle: Vehicle) -> Boards | None:
    """The boards of a file; ``None`` when there is none. ``PlanError`` when it cannot be used."""
    path = board or _beside(plan, vehicle)
    if path is None or (board is None and not path.is_file()):
        return None
    from busplan.board.resolve import resolve_boards
    from busplan.plan.reader import read_document

    document, problems = read_document(path, what="board")
    return resolve_boards(document, problems, vehicle)


def _beside(plan: Path | None, vehicle: Vehicle) -> Path | None:
    if plan is None:
        return None
    return (
        plan.parent / vehicle.board if vehicle.board else plan.with_name(f"{plan.stem}.board.toml")
    )


def open_desk(
    board: Path | None, plan: Path | None, captures: Sequence[Path], shown: Replay
) -> BoardDesk:
    """What the board screen works with, and what is kept beside the first capture."""
    from busplan.board.desk import BoardDesk

    boards = find_boards(board, plan, shown.vehicle)
    where = board or _beside(plan, shown.vehicle)
    desk = BoardDesk(boards, captures[0] if captures else None, where)
    desk.load(shown.index.origin_ns)
    return desk
