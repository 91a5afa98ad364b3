"""What drives the screens: time, marks, which of the screens and which of two captures is shown."""

from __future__ import annotations

from typing import ClassVar

from textual.binding import Binding, BindingType
from textual.widgets import ContentSwitcher

from busplan.replay.clock import ReplayClock
from busplan.replay.replay import Replay, moment_of
from busplan.screens.dialogs import MomentScreen
from busplan.screens.part import Redrawing
from busplan.screens.views import View
from busplan.text.timeline import WINDOWS_NS


class Steered(Redrawing):
    """Holds the captures, the clock and the marks, and has the keys that change them.

    ``captures`` are one or two, and ``replay`` is the one that is shown; times of the clock are
    those of the first, and the second is shown ``shift_ns`` later.
    """

    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("space", "play_or_hold", "Play or hold", id="time.toggle"),
        Binding("comma", "step(-0.1)", "Step back 0.1 s", id="time.step_back"),
        Binding("full_stop", "step(0.1)", "Step on 0.1 s", id="time.step_on"),
        Binding("left_square_bracket", "seek(-5)", "Back 5 s", id="time.back"),
        Binding("right_square_bracket", "seek(5)", "On 5 s", id="time.on"),
        Binding("left_curly_bracket", "seek(-60)", "Back 1 min", id="time.far_back"),
        Binding("right_curly_bracket", "seek(60)", "On 1 min", id="time.far_on"),
        Binding("home", "jump(0)", "Start", id="time.start"),
        Binding("end", "jump(1)", "End", id="time.end"),
        Binding("minus", "slower", "Slower", id="time.slower"),
        Binding("plus,equals_sign", "faster", "Faster", id="time.faster"),
        Binding("g", "ask_moment", "Go to a moment", id="time.go"),
        Binding("n", "finding(1)", "Next finding", id="time.next_finding"),
        Binding("N", "finding(-1)", "Previous finding", id="time.previous_finding"),
        Binding("a", "mark('a')", "Set A", id="span.a"),
        Binding("b", "mark('b')", "Set B", id="span.b"),
        Binding("c", "mark('')", "Clear A and B", id="span.clear"),
        Binding("z", "window", "Stretch of the plots", id="plot.window"),
        *(
            Binding(str(n), f"open_number({n})", f"Screen {n}", id=f"screen.{n}")
            for n in range(1, 10)
        ),
        Binding("o", "other", "Other capture", id="app.other"),
    ]
    captures: list[Replay]
    replay: Replay
    shift_ns: int
    clock: ReplayClock
    views: list[View]
    window_ns: int | None
    """Length of the stretch that plots show; ``None``: the whole capture."""
    a_ns: int | None = None
    b_ns: int | None = None

    @property
    def view(self) -> View:
        """The screen that is shown."""
        current = self.screen_stack[0].query_one("#views", ContentSwitcher).current
        return next(view for view in self.views if view.id == current)

    @property
    def offset_ns(self) -> int:
        """How much later in its own time the shown capture is than the clock."""
        return self.shift_ns if self.captures.index(self.replay) else 0

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
        self.go(self.clock.position_ns + round(seconds * 1e9))

    def action_jump(self, part: float) -> None:
        """Go to a part of the capture: 0 start, 1 end."""
        self.go(round(part * self.clock.span_ns))

    def go(self, t_ns: int) -> None:
        """Go to a moment."""
        self.clock.seek(t_ns)
        self.action_redraw()

    def go_within(self, t_ns: int) -> None:
        """Go to a moment in the time of the shown capture."""
        self.go(t_ns - self.offset_ns)

    def action_ask_moment(self) -> None:
        """Ask for a moment and go there."""

        def answered(t_ns: int | None) -> None:
            if t_ns is not None:
                self.go(t_ns)

        asked = MomentScreen(
            self.clock.position_ns, self.clock.span_ns, self.replay.findings, self.offset_ns
        )
        self.push_screen(asked, answered)

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
        here = self.clock.position_ns + self.offset_ns
        later = [m for m in moments if m > here]
        sooner = [m for m in moments if m < here]
        if direction > 0 and later:
            self.go_within(later[0])
        elif direction < 0 and sooner:
            self.go_within(sooner[-1])
        else:
            self.bell()

    def action_mark(self, end: str) -> None:
        """Set A or B at the present moment, or clear both."""
        t_ns = self.clock.position_ns
        if end == "a":
            self.a_ns = t_ns
        elif end == "b":
            self.b_ns = t_ns
        else:
            self.a_ns = self.b_ns = None
        self.action_redraw()

    def action_window(self) -> None:
        """The next stretch of time for the plots."""
        self.window_ns = WINDOWS_NS[(WINDOWS_NS.index(self.window_ns) + 1) % len(WINDOWS_NS)]
        self.action_redraw()

    def action_other(self) -> None:
        """Show the other capture of the two."""
        if len(self.captures) == 1:
            self.bell()
            return
        self.replay = self.captures[1 - self.captures.index(self.replay)]
        self.action_redraw()

    def action_open_number(self, number: int) -> None:
        """Open a screen by its number in the heading."""
        if number <= len(self.views):
            self.open(self.views[number - 1])

    def open(self, view: View) -> None:
        """Open a screen."""
        self.query_one("#views", ContentSwitcher).current = view.id
        view.focus_inside()
        self.call_after_refresh(self.action_redraw)
