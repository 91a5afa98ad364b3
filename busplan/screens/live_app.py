"""The replay screens on a live bus: the same screens, with the present as the end of time."""

from __future__ import annotations

import time
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

from busplan.board.desk import BoardDesk
from busplan.frames.identifier import FrameKey
from busplan.live.rolling import Recent, Rolling
from busplan.plan.vehicle import Vehicle
from busplan.replay.clock import LiveClock
from busplan.replay.present import Unseen, live_replay
from busplan.replay.replay import Replay
from busplan.replay.verdict import joined, judge_pack, with_failures
from busplan.screens.app import ReplayApp
from busplan.screens.memory import Layout
from busplan.screens.start import keep_loaded, run_to_the_end, user_keys
from busplan.transport.iso15765 import Segmented

if TYPE_CHECKING:
    from busplan.behaviour.following import Following
    from busplan.behaviour.report import BehaviourReport
    from busplan.board.state import Judged
    from busplan.live.recording_status import RecordingStatus
    from busplan.pack.report import PackReport

REFRESH_S = 0.5
"""Shortest time between two looks at what has arrived."""
JUDGE_S = 5.0
"""Shortest time between two verdicts."""
BUSY_PART = 0.25
"""Part of a core that looking may take; more frames are looked at less often."""
GLANCE_S = 0.1
"""Between two looks: how often is seen whether something fell silent or came back."""


class LiveApp(ReplayApp):
    """The screens on what ``rolling`` holds; ``entries`` gives the journal so far.

    ``status`` gives the counts of the recording, where there is one; ``following`` what became of
    the plan's behaviours.
    """

    def __init__(
        self,
        vehicle: Vehicle,
        rolling: Rolling,
        entries: Callable[[], Sequence[Mapping[str, Any]]],
        *,
        status: Callable[[], RecordingStatus] | None = None,
        segmented: Collection[Segmented] = (),
        desk: BoardDesk | None = None,
        following: Following | None = None,
        layout: Layout | None = None,
        keys: Mapping[str, str] | None = None,
        keep: Callable[[Layout], None] | None = None,
    ) -> None:
        super().__init__(
            live_replay(vehicle, None, ()),
            judge=None,
            desk=desk,
            layout=layout,
            keys=keys,
            keep=keep,
        )
        self._unjudged = self.replay
        self._present = LiveClock()
        self.clock = self._present
        self._vehicle = vehicle
        self._rolling = rolling
        self._entries = entries
        self._segmented = segmented
        self._status = status
        self._following = following
        self._judging = False
        self._judge_next_s = 0.0
        self._report: PackReport | None = None
        self._judged_once = False
        self._trouble = ""
        self._unseen = Unseen()

    def recording(self) -> tuple[str, bool]:
        """The file, or what is wrong with it."""
        status = None if self._status is None else self._status()
        if status is None or not status.files:
            return "", False
        lost = f", {status.dropped:,} dropped" if status.dropped else ""
        if status.trouble is not None:
            return f"! REC {status.trouble}{lost}", True
        return f"REC {Path(status.files[-1]).name}{lost}", bool(status.dropped)

    def on_mount(self) -> None:
        """Start looking at what arrives; the handler of the class above runs too."""
        self.run_worker(self._look, thread=True, exclusive=True, group="look")

    def _look(self) -> None:
        from textual.worker import get_current_worker

        worker = get_current_worker()
        while not worker.is_cancelled:
            begin = time.monotonic()
            recent = self._rolling.recent()
            forgotten_ns = 0 if recent is None else recent.forgotten_ns
            allowed: Mapping[FrameKey, float] = {}
            try:
                replay = live_replay(
                    self._vehicle, recent, self._entries(), self._segmented, self._unseen
                )
                told = None if self._following is None else self._following.report()
                replay = with_failures(replay, told)
                self.desk.shift(forgotten_ns)
                judged = self.desk.live(self._with_verdict(replay))
            except Exception as error:  # a look that fails must end neither screens nor recording
                self._beside.doing = f"not worked out: {error}"
            else:
                if worker.is_cancelled:
                    return
                self._beside.doing = self._trouble
                self.call_from_thread(self._arrived, replay, forgotten_ns, judged, told)
                allowed = replay.lines.allowed_by_key
            self._rest(lambda: worker.is_cancelled, begin, recent, allowed)

    def _rest(
        self,
        ended: Callable[[], bool],
        begin: float,
        recent: Recent | None,
        allowed: Mapping[FrameKey, float],
    ) -> None:
        """Wait for the next look: less long when something falls silent or comes back meanwhile."""
        took = time.monotonic() - begin
        seen = frozenset() if recent is None else recent.heard.overdue(allowed)
        while (left := begin + max(REFRESH_S, took / BUSY_PART) - time.monotonic()) > 0:
            time.sleep(min(left, GLANCE_S))
            rested = time.monotonic() - begin >= 2 * took
            if ended() or (rested and self._rolling.heard().overdue(allowed) != seen):
                return

    def _arrived(
        self, replay: Replay, forgotten_ns: int, judged: Judged, told: BehaviourReport | None
    ) -> None:
        """Show what has arrived; held moments and marks stay on what they showed."""
        self.behaviours.reports = {} if told is None else {replay.table: told}
        self._present.grow(replay.span_ns, forgotten_ns)
        self._boards[0] = judged
        if forgotten_ns:
            self.a_ns, self.b_ns = (
                None if mark is None or mark < forgotten_ns else mark - forgotten_ns
                for mark in (self.a_ns, self.b_ns)
            )
        self._show_state(replay)
        if self.view.id == "findings":
            self._unseen.seen(replay.table.origin_ns)
        due = time.monotonic() > self._judge_next_s
        if due and not self._judging and replay.span_ns:
            self._judging = True
            self.run_worker(self._judge_live, thread=True, exit_on_error=False, group="judge")

    def _show_state(self, replay: Replay) -> None:
        """Draw a state with the last verdict: every screen says the same, at every moment."""
        self._unjudged = replay
        self.replay = replay = self._with_verdict(replay)
        self.captures = [replay]
        self.verdict.reports = {replay.table: self._report} if self._judged_once else {}
        self.action_redraw()

    def _with_verdict(self, replay: Replay) -> Replay:
        return joined(replay, self._report) if self._judged_once else replay

    def _judge_live(self) -> None:
        """Evaluate the pack over what is held."""
        begin = time.monotonic()
        try:
            report, self._trouble = judge_pack(self.replay), ""
        except Exception as error:  # as above
            report, self._trouble = None, f"verdict not worked out: {error}"
        self.call_from_thread(self._judged_live, report, time.monotonic() - begin)

    def _judged_live(self, report: PackReport | None, took_s: float) -> None:
        self._report, self._judged_once, self._judging = report, True, False
        self._judge_next_s = time.monotonic() + max(JUDGE_S, took_s / BUSY_PART)
        self._show_state(self._unjudged)


def run_live(
    vehicle: Vehicle,
    rolling: Rolling,
    entries: Callable[[], Sequence[Mapping[str, Any]]],
    status: Callable[[], RecordingStatus] | None = None,
    segmented: Collection[Segmented] = (),
    desk: BoardDesk | None = None,
    following: Following | None = None,
) -> None:
    """Open the screens on a live bus; returns when the user leaves."""
    from busplan.screens.memory import layout_file, read_layout, write_layout

    path = layout_file()
    layout = read_layout(path)
    if vehicle.pack is None and layout.screen in ("pack", "verdict"):
        layout = replace(layout, screen="messages")
    keep_loaded()
    app = LiveApp(
        vehicle,
        rolling,
        entries,
        status=status,
        segmented=segmented,
        desk=desk,
        following=following,
        layout=layout,
        keys=user_keys(),
        keep=lambda kept: write_layout(path, kept),
    )
    run_to_the_end(app)
