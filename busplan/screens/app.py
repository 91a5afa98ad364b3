"""The replay application: one clock, one capture, several screens over one line of time."""

from __future__ import annotations

import os
import time
from collections.abc import Callable
from typing import ClassVar

from textual import on
from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.widgets import ContentSwitcher

from busplan.replay.clock import ReplayClock
from busplan.replay.replay import Replay, moment_of
from busplan.replay.snapshot import Snapshot
from busplan.screens import look
from busplan.screens.bars import Heading, TimeLine
from busplan.screens.draw import vehicle_label
from busplan.screens.pack_view import PackView
from busplan.screens.timeline import Transport
from busplan.screens.views import View

FRAME_S = 0.1
"""Time between two redraws while playing [s]."""


class ReplayApp(App[None]):
    """Replays one capture. ``now`` is the monotonic clock [ns], exchangeable in tests."""

    ENABLE_COMMAND_PALETTE = True
    CSS = """
    Screen { layout: vertical; }
    #views { height: 1fr; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("space", "play_or_hold", "Play/hold", id="time.toggle", priority=True),
        Binding("comma", "step(-0.1)", "Step back", id="time.step_back"),
        Binding("full_stop", "step(0.1)", "Step on", id="time.step_on"),
        Binding("left_square_bracket", "seek(-5)", "-5 s", id="time.back"),
        Binding("right_square_bracket", "seek(5)", "+5 s", id="time.on"),
        Binding("left_curly_bracket", "seek(-60)", "-1 min", id="time.far_back"),
        Binding("right_curly_bracket", "seek(60)", "+1 min", id="time.far_on"),
        Binding("home", "jump(0)", "Start", id="time.start"),
        Binding("end", "jump(1)", "End", id="time.end"),
        Binding("minus", "slower", "Slower", id="time.slower"),
        Binding("plus,equals_sign", "faster", "Faster", id="time.faster"),
        Binding("n", "finding(1)", "Next finding", id="time.next_finding"),
        Binding("N", "finding(-1)", "Previous finding", id="time.previous_finding"),
        Binding("q", "quit", "Quit", id="app.quit"),
    ]

    def __init__(
        self,
        replay: Replay,
        *,
        start_ns: int = 0,
        screen: str = "pack",
        play: bool = False,
        speed: float = 1.0,
        now: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        super().__init__(ansi_color=True if os.environ.get("NO_COLOR") else None)
        for theme in look.THEMES:
            self.register_theme(theme)
        self.theme = look.INK
        self.replay = replay
        self.clock = ReplayClock(replay.span_ns, speed=speed, now=now)
        self.clock.seek(start_ns)
        self._play = play
        self._first = screen
        self.views: tuple[View, ...] = (PackView(),)
        self.snapshot: Snapshot | None = None
        self._shown: tuple[object, ...] = ()
        self.title = vehicle_label(replay.vehicle)

    def compose(self) -> ComposeResult:
        """Heading, screens, line of time."""
        yield Heading(tuple(view.title for view in self.views))
        with ContentSwitcher(id="views", initial=self._first):
            yield from self.views
        yield TimeLine()

    def on_mount(self) -> None:
        """Start the redraw timer."""
        if self._play:
            self.clock.play()
        self.set_interval(FRAME_S, self._tick)
        self.call_after_refresh(self.action_redraw)

    def on_resize(self) -> None:
        """Everything is drawn for a size."""
        self.call_after_refresh(self.action_redraw)

    @property
    def view(self) -> View:
        """The screen that is shown."""
        current = self.query_one("#views", ContentSwitcher).current
        return next(view for view in self.views if view.id == current)

    def action_redraw(self) -> None:
        """Draw the present moment now."""
        t_ns = self.clock.position_ns
        snapshot = self.replay.snapshot(t_ns)
        self.snapshot = snapshot
        view = self.view
        with self.batch_update():
            view.update(self.replay, snapshot)
            columns = self.size.width
            self.query_one(Heading).update(self.replay, view.title, columns)
            transport = Transport(
                snapshot.t_ns,
                self.replay.span_ns,
                self.clock.playing,
                self.clock.speed,
                lag_ns=self.clock.lag_ns(t_ns),
            )
            self.query_one(TimeLine).update(self.replay, transport, columns, "? help")

    def _tick(self) -> None:
        state = (self.clock.position_ns, self.clock.playing, self.clock.speed)
        if state != self._shown:
            self._shown = state
            self.action_redraw()

    def action_play_or_hold(self) -> None:
        """Play or hold."""
        self.clock.toggle()
        self.action_redraw()

    def action_step(self, seconds: float) -> None:
        """Hold and move a little."""
        self.clock.step(round(seconds * 1e9))
        self.action_redraw()

    def action_seek(self, seconds: float) -> None:
        """Move by seconds."""
        self.clock.seek(self.clock.position_ns + round(seconds * 1e9))
        self.action_redraw()

    def action_jump(self, part: float) -> None:
        """Go to a part of the capture: 0 start, 1 end."""
        self.clock.seek(round(part * self.replay.span_ns))
        self.action_redraw()

    def action_slower(self) -> None:
        """The next lower speed."""
        self.clock.slower()
        self.action_redraw()

    def action_faster(self) -> None:
        """The next higher speed."""
        self.clock.faster()
        self.action_redraw()

    def action_finding(self, direction: int) -> None:
        """Go to the next or previous finding that has a time."""
        moments = sorted({m for f in self.replay.findings if (m := moment_of(f)) >= 0})
        here = self.clock.position_ns
        ahead = [m for m in moments if m > here] if direction > 0 else None
        behind = [m for m in moments if m < here]
        target = ahead[0] if ahead else behind[-1] if ahead is None and behind else None
        if target is None:
            self.bell()
            return
        self.clock.seek(target)
        self.action_redraw()

    @on(TimeLine.Sought)
    def _sought(self, message: TimeLine.Sought) -> None:
        self.clock.seek(message.t_ns)
        self.action_redraw()

    @on(Heading.Picked)
    def _picked(self, message: Heading.Picked) -> None:
        self.action_open(message.name)

    def action_open(self, title: str) -> None:
        """Open the screen of that name."""
        view = next(v for v in self.views if v.title == title)
        self.query_one("#views", ContentSwitcher).current = view.id
        self.call_after_refresh(self.action_redraw)


def run_replay(
    replay: Replay,
    *,
    start_ns: int = 0,
    screen: str = "pack",
    play: bool = True,
    speed: float = 1.0,
) -> None:
    """Open the screens on a capture; returns when the user leaves."""
    ReplayApp(replay, start_ns=start_ns, screen=screen, play=play, speed=speed).run()
