"""The replay application: one clock, one capture (or two), several screens, one line of time."""

from __future__ import annotations

import os
import time
from collections.abc import Callable, Iterable, Mapping
from dataclasses import replace
from functools import cached_property
from typing import TYPE_CHECKING, ClassVar

from textual import on
from textual.app import App, ComposeResult, SystemCommand
from textual.binding import Binding, BindingType
from textual.screen import Screen
from textual.widgets import ContentSwitcher

from busplan.findings import Weight
from busplan.replay.clock import ReplayClock
from busplan.replay.opening import completed
from busplan.replay.replay import Replay, moment_of
from busplan.replay.snapshot import Snapshot
from busplan.replay.verdict import joined, judge_pack
from busplan.screens import look
from busplan.screens.bars import Heading, TimeLine
from busplan.screens.beside import Beside
from busplan.screens.bound import bound, commands, help_keys
from busplan.screens.dialogs import HelpScreen, MomentScreen
from busplan.screens.findings_view import FindingList, FindingsView
from busplan.screens.memory import Layout
from busplan.screens.messages_view import MessagesView
from busplan.screens.pack_view import OVERLAYS, PackView
from busplan.screens.plain_views import NetworksView, PairView, ShopView, VerdictView
from busplan.screens.span_view import SpanView
from busplan.screens.views import View
from busplan.text.draw import vehicle_label
from busplan.text.packmap import DENSITIES
from busplan.text.timeline import WINDOWS_NS, Transport, Window

if TYPE_CHECKING:
    from busplan.pack.report import PackReport

FRAME_S = 0.1
"""Time between two redraws while playing [s]."""


Judge = Callable[[Replay], "PackReport | None"]


class ReplayApp(App[None]):
    """Replays one capture. ``now`` is the monotonic clock [ns], exchangeable in tests."""

    CSS = """
    Screen { layout: vertical; }
    #views { height: 1fr; }
    CommandPalette SearchIcon { display: none; }
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
            for n in range(1, 9)
        ),
        Binding("o", "other", "Other capture", id="app.other"),
        Binding("f", "fault_bell", "Bell on a new fault", id="app.bell"),
        Binding("d", "theme", "Dark or light", id="app.theme"),
        Binding("question_mark,f1", "help", "Help", id="app.help"),
        Binding("q", "quit", "Quit", id="app.quit"),
    ]

    def __init__(
        self,
        replay: Replay,
        *,
        beside: Replay | None = None,
        shift_ns: int = 0,
        judge: Judge | None = judge_pack,
        start_ns: int = 0,
        play: bool = False,
        speed: float = 1.0,
        layout: Layout | None = None,
        keys: Mapping[str, str] | None = None,
        keep: Callable[[Layout], None] | None = None,
        now: Callable[[], int] = time.monotonic_ns,
    ) -> None:
        super().__init__(ansi_color=True if os.environ.get("NO_COLOR") else None)
        for theme in look.THEMES:
            self.register_theme(theme)
        self.kept = layout or Layout()
        self.theme = self.kept.theme if self.kept.theme in (look.INK, look.PAPER) else look.INK
        self.replay = replay
        self.captures = [replay] if beside is None else [replay, beside]
        self.shift_ns = shift_ns
        ends = [replay.span_ns, *(r.span_ns - shift_ns for r in self.captures[1:])]
        self.clock = ReplayClock(max(ends), speed=speed, now=now)
        self.clock.seek(start_ns)
        self.snapshot: Snapshot | None = None
        self.title = vehicle_label(replay.vehicle)
        self.a_ns: int | None = None
        self.b_ns: int | None = None
        self.window_ns = next((w for w in WINDOWS_NS if w and w / 1e9 == self.kept.window_s), None)
        self.bell_on_fault = self.kept.bell
        self._faults: frozenset[str] = frozenset()
        self._play = play
        self._keep = keep
        self._shown: tuple[object, ...] = ()
        self._judge = judge
        self._beside = Beside(self, self._work_out)
        self._make_views()
        if keys:
            self.set_keymap(dict(keys))

    def _make_views(self) -> None:
        self.pack = PackView()
        self.verdict = VerdictView()
        self.messages = MessagesView()
        self.span = SpanView()
        self.views: list[View] = [
            self.pack,
            self.verdict,
            NetworksView(),
            self.messages,
            FindingsView(),
            self.span,
            ShopView(),
        ]
        self.pair: PairView | None = None
        if len(self.captures) == 2:
            self.pair = PairView((self.captures[0], self.captures[1]), self.shift_ns)
            self.views.append(self.pair)
        self.pack.density = next((d for d in DENSITIES if d == self.kept.density), None)
        self.pack.overlay = next((o for o in OVERLAYS if o == self.kept.overlay), "map")

    def compose(self) -> ComposeResult:
        """Heading, screens, line of time."""
        yield Heading(tuple((view.title, view.short) for view in self.views))
        first = next((v.id for v in self.views if v.id == self.kept.screen), self.views[0].id)
        with ContentSwitcher(id="views", initial=first):
            yield from self.views
        yield TimeLine()

    def on_mount(self) -> None:
        """Start the redraw timer."""
        if self._play:
            self.clock.play()
        self.set_interval(FRAME_S, self._tick)
        self.view.focus_inside()
        self.call_after_refresh(self._begin)

    def _begin(self) -> None:
        """Draw for the first time; long work waits until that is seen."""
        self.action_redraw()
        self.call_after_refresh(self._beside.start)

    def _work_out(self, beside: Beside) -> None:
        """What takes a look at every frame: loads and findings of each capture, then its pack."""
        for number, replay in enumerate(tuple(self.captures)):
            if not replay.traffic.counted:
                beside.hand(self._know, number, completed(replay, beside.tell))
        for number, replay in enumerate(tuple(self.captures)):
            if self._judge is not None:
                beside.tell("judging the pack")
                beside.hand(self._judged, number, self._judge(replay))

    def _judged(self, number: int, report: PackReport | None) -> None:
        after = joined(self.captures[number], report)
        self.verdict.reports[after] = report
        self._know(number, after)

    def _know(self, number: int, after: Replay) -> None:
        """Show a capture of which more is known."""
        before = self.captures[number]
        self.captures[number] = after
        if self.replay is before:
            self.replay = after
        if self.pair:
            self.pair.captures = (self.captures[0], self.captures[1])
        self.action_redraw()

    def on_unmount(self) -> None:
        """Remember how it looked."""
        self._beside.leave()
        if self._keep:
            self._keep(self.kept)

    @property
    def view(self) -> View:
        """The screen that is shown."""
        current = self.screen_stack[0].query_one("#views", ContentSwitcher).current
        return next(view for view in self.views if view.id == current)

    @property
    def offset_ns(self) -> int:
        """How much later in its own time the shown capture is than the clock."""
        return self.shift_ns if self.captures.index(self.replay) else 0

    def action_redraw(self) -> None:
        """Draw the present moment now."""
        if not self.is_running or not self.screen_stack:
            return
        base = self.screen_stack[0]
        t_ns = self.clock.position_ns
        shown_ns = t_ns + self.offset_ns
        snapshot = self.replay.snapshot(shown_ns)
        if self.pair:
            self.pair.t_ns = t_ns
        self._ring(snapshot)
        self.snapshot = snapshot
        view = self.view
        self.kept = replace(
            self.kept,
            theme=self.theme,
            screen=view.id or "pack",
            density=self.pack.density or "",
            overlay=self.pack.overlay,
            window_s=(self.window_ns or 0) / 1e9,
            bell=self.bell_on_fault,
        )
        ends = self.a_ns is not None and self.b_ns is not None
        a_ns, b_ns = (
            min(max((end or 0) + self.offset_ns, 0), self.replay.span_ns)
            for end in (self.a_ns, self.b_ns)
        )
        self.span.ends = (a_ns, b_ns) if ends else None
        self.span.pinned = self.messages.table.pinned
        columns = self.size.width
        window = Window.around(snapshot.t_ns, self.clock.span_ns, self.window_ns, columns)
        with self.batch_update():
            view.update(self.replay, snapshot, window)
            number = self.captures.index(self.replay) + 1 if self.pair else None
            base.query_one(Heading).update(self.replay, view.title, columns, number)
            transport = Transport(
                t_ns,
                self.clock.span_ns,
                self.clock.playing,
                self.clock.speed,
                self.a_ns,
                self.b_ns,
                self.clock.behind_ns(t_ns),
                self.clock.live,
                *self.recording(),
                self.offset_ns,
            )
            base.query_one(TimeLine).update(self.replay, transport, columns, self._hints())

    def _hints(self) -> tuple[str, ...]:
        """What to press, from long to short, for whoever opens the screens for the first time."""
        key = self._first_keys
        least = f"{key['app.help']} help  {key['app.quit']} quit"
        told = [self._beside.doing] if self._beside.doing else []
        told += ["bell on"] if self.bell_on_fault else []
        full = "  ".join([*told, least])
        act = "holds" if self.clock.playing else "plays"
        space = f"{key['time.toggle']} {act}"
        return f"{space}  1-{len(self.views)} screens  {full}", f"{space}  {full}", full, least

    @cached_property
    def _first_keys(self) -> dict[str, str]:
        here = bound(self.screen_stack[0])
        return {name: self.get_key_display(bindings[0]) for name, (bindings, _) in here.items()}

    def recording(self) -> tuple[str, bool]:
        """What is being recorded into, in words, and whether there is trouble with it."""
        return "", False

    def _tick(self) -> None:
        clock = self.clock
        doing = self._beside.doing
        state = (clock.position_ns, clock.playing, clock.speed, self.theme, doing)
        if state != self._shown:
            self._shown = state
            self.action_redraw()

    def _ring(self, snapshot: Snapshot) -> None:
        if not self.bell_on_fault:
            return
        faults = faults_of(snapshot)
        if self.clock.playing and faults - self._faults:
            self.bell()
        self._faults = faults

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

    def action_fault_bell(self) -> None:
        """Ring on new faults, or no longer."""
        self.bell_on_fault = not self.bell_on_fault
        if self.snapshot:
            self._faults = faults_of(self.snapshot)
        self.action_redraw()

    def action_theme(self) -> None:
        """Dark or light."""
        self.theme = look.PAPER if self.theme == look.INK else look.INK
        self.call_after_refresh(self.action_redraw)

    def action_help(self) -> None:
        """Explain the present screen."""
        view = self.view
        self.push_screen(HelpScreen(f"{view.title} screen", view.help, help_keys(self)))

    def action_open_number(self, number: int) -> None:
        """Open a screen by its number in the heading."""
        if number <= len(self.views):
            self.open(self.views[number - 1])

    def open(self, view: View) -> None:
        """Open a screen."""
        self.query_one("#views", ContentSwitcher).current = view.id
        view.focus_inside()
        self.call_after_refresh(self.action_redraw)

    def get_system_commands(self, screen: Screen[object]) -> Iterable[SystemCommand]:
        """What the command palette offers: screens, all that a key does, findings."""
        return commands(self, screen)

    @on(TimeLine.Sought)
    def _sought(self, message: TimeLine.Sought) -> None:
        self.go(message.t_ns)

    @on(Heading.Picked)
    def _picked(self, message: Heading.Picked) -> None:
        self.open(next(v for v in self.views if v.title == message.name))

    @on(FindingList.Go)
    def _go_to_finding(self, message: FindingList.Go) -> None:
        t_ns = moment_of(self.replay.findings[message.number])
        if t_ns < 0:
            self.bell()
        else:
            self.go_within(t_ns)


def faults_of(snapshot: Snapshot) -> frozenset[str]:
    """The words of the faults at a moment."""
    return frozenset(t.word for t in snapshot.troubles if t.weight == Weight.FAULT)
