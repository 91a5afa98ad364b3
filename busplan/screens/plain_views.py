"""Screens that are one sheet: networks, verdict, behaviours, two captures."""

from __future__ import annotations

from typing import TYPE_CHECKING

from textual.app import ComposeResult

from busplan.replay.replay import Replay
from busplan.replay.snapshot import Snapshot
from busplan.screens.sheet import Sheet
from busplan.screens.views import View
from busplan.text.behaviour_text import draw_behaviours
from busplan.text.draw import no_pack
from busplan.text.networks_draw import draw_networks
from busplan.text.pair_draw import draw_pair
from busplan.text.runs import FAINT, Line, wrap
from busplan.text.timeline import Window
from busplan.text.verdict_draw import draw_verdict

if TYPE_CHECKING:
    from busplan.behaviour.report import BehaviourReport
    from busplan.frames.table import FrameTable
    from busplan.pack.report import PackReport


class ScrollSheet(Sheet, can_focus=True):
    """A sheet that keys can scroll."""


class SheetView(View):
    """A screen with one sheet."""

    def compose(self) -> ComposeResult:
        """The sheet."""
        yield ScrollSheet()

    def focus_inside(self) -> None:
        """Put the keys where they belong."""
        self.give_keys(self.query_one(ScrollSheet))

    def update(self, replay: Replay, snapshot: Snapshot, window: Window) -> None:
        """Show a moment."""
        sheet = self.query_one(ScrollSheet)
        sheet.show(self.draw(replay, snapshot, window, self.size.width - 1, self.size.height))

    def draw(
        self, replay: Replay, snapshot: Snapshot, window: Window, columns: int, rows: int
    ) -> list[Line]:
        """The lines."""
        raise NotImplementedError


class NetworksView(SheetView):
    """How busy each network is."""

    title = "Networks"
    short = "Nets"
    help = (
        "Load is time on the wire over time passed, counted with the exact bits of the recorded "
        "frames, on a fixed scale of 0 to 100 %. now: the last second; peak: the highest second "
        "so far; ! over the plan's limit, or errors within the last minute. Large screens add the "
        "load over the whole capture. A node is silent when all its cyclic messages have "
        "been away for more than 2.5 cycles.\n"
        "arrows scroll"
    )

    def __init__(self) -> None:
        super().__init__(id="networks")

    def draw(
        self, replay: Replay, snapshot: Snapshot, window: Window, columns: int, rows: int
    ) -> list[Line]:
        """The lines."""
        return draw_networks(replay, snapshot, columns, rows)


class VerdictView(SheetView):
    """The judgement over the pack, from the whole capture."""

    title = "Verdict"
    short = "Verd"
    help = (
        "What the whole capture says of the pack, topic by topic: + good, ! not good, ? not "
        "judged. Modules with their warm-up, and the most conspicuous cells. It is worked out "
        "while the other screens already show the capture.\n"
        "arrows scroll"
    )

    def __init__(self) -> None:
        super().__init__(id="verdict")
        self.reports: dict[FrameTable, PackReport | None] = {}
        """By the capture's frames: its judgement, ``None`` where there is too little to judge."""
        self._drawn: tuple[Replay | None, int, list[Line]] = (None, 0, [])

    def draw(
        self, replay: Replay, snapshot: Snapshot, window: Window, columns: int, rows: int
    ) -> list[Line]:
        """The lines."""
        if reason := no_pack(snapshot):
            return wrap(f"There is nothing to judge. {reason}", columns)
        if replay.table not in self.reports:
            return wrap("The pack is being judged: this takes a few seconds.", columns, FAINT)
        report = self.reports[replay.table]
        if report is None:
            return wrap("Too little of the pack has come to judge it.", columns)
        # The moment does not matter, so what is drawn stays as long as capture and width do.
        of, width, lines = self._drawn
        if of is not replay or width != columns:
            lines = draw_verdict(report, replay.findings, columns)
            self._drawn = (replay, columns, lines)
        return lines


class BehavioursView(SheetView):
    """What must hold between signals over time."""

    title = "Behaviours"
    short = "Behv"
    help = (
        "What the plan says must hold between signals over time, worst first: ! failed, ? not "
        "shown, + held; how often it came up, by how much it held, and when it failed. On a live "
        "bus it is what was seen so far. Where it never came up nothing is known.\n"
        "arrows scroll"
    )

    def __init__(self) -> None:
        super().__init__(id="behaviours")
        self.reports: dict[FrameTable, BehaviourReport | str] = {}
        """By the capture's frames: what was found, or why nothing could be."""

    def draw(
        self, replay: Replay, snapshot: Snapshot, window: Window, columns: int, rows: int
    ) -> list[Line]:
        """The lines."""
        if not replay.vehicle.behaviours:
            return draw_behaviours(None, columns)
        report = self.reports.get(replay.table)
        if report is None:
            return wrap("The behaviours are being judged.", columns, FAINT)
        if isinstance(report, str):
            return wrap(report, columns, "caution")
        return draw_behaviours(report, columns)


class PairView(SheetView):
    """Two captures side by side."""

    title = "Pair"
    short = "Pair"
    help = (
        "Two captures at the same time from their starts: states, figures, what changed, and how "
        "far each cell and sensor moved against its peers.\n"
        "o shows the other capture on all other screens; arrows scroll"
    )

    def __init__(self, captures: tuple[Replay, Replay], shift_ns: int) -> None:
        super().__init__(id="pair")
        self.captures = captures
        self.shift_ns = shift_ns
        self.t_ns = 0

    def draw(
        self, replay: Replay, snapshot: Snapshot, window: Window, columns: int, rows: int
    ) -> list[Line]:
        """The lines."""
        first, second = self.captures
        shots = (first.snapshot(self.t_ns), second.snapshot(self.t_ns + self.shift_ns))
        return draw_pair(self.captures, shots, columns, self.pen)
