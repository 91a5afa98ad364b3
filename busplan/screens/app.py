"""The replay application: one clock, one capture (or two), several screens, one line of time."""

from __future__ import annotations

import gc
import os
import time
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from functools import cached_property
from typing import TYPE_CHECKING, ClassVar

from textual import on
from textual.app import ComposeResult, SystemCommand
from textual.binding import Binding, BindingType
from textual.screen import Screen
from textual.widgets import ContentSwitcher

from busplan.board.desk import BoardDesk
from busplan.errors import UsageError
from busplan.findings import Weight
from busplan.frames.identifier import FrameKey
from busplan.plan.vehicle import SignalAddress
from busplan.replay.clock import ReplayClock
from busplan.replay.opening import completed
from busplan.replay.peers_over import addresses
from busplan.replay.replay import Replay, moment_of
from busplan.replay.snapshot import Snapshot
from busplan.replay.track import at_hand, tracks
from busplan.replay.verdict import joined, judge_pack, told_behaviours, with_failures
from busplan.screens import look
from busplan.screens.bars import Heading, TimeLine
from busplan.screens.beside import Beside
from busplan.screens.board_view import BoardView
from busplan.screens.boarded import Boarded
from busplan.screens.bound import bound, commands, help_keys
from busplan.screens.dialogs import HelpScreen
from busplan.screens.findings_view import FindingList, FindingsView
from busplan.screens.memory import Layout
from busplan.screens.messages_view import MessagesView
from busplan.screens.pack_view import OVERLAYS, PackView
from busplan.screens.plain_views import BehavioursView, NetworksView, PairView, VerdictView
from busplan.screens.span_view import SpanView
from busplan.screens.workbench_screen import BenchScreen
from busplan.text.dots import DRAWINGS
from busplan.text.packmap import DENSITIES
from busplan.text.timeline import WINDOWS_NS, Transport, Window
from busplan.wording import disarmed

if TYPE_CHECKING:
    from busplan.behaviour.report import BehaviourReport
    from busplan.board.state import Judged
    from busplan.pack.report import PackReport

BLINK_NS = 500_000_000
"""An alarm that nobody has seen is white every second half second."""
FRAME_S = 0.1
"""Time between two redraws while playing [s]."""


Judge = Callable[[Replay], "PackReport | None"]


class ReplayApp(Boarded):
    """Replays one capture. ``now`` is the monotonic clock [ns], exchangeable in tests."""

    CSS = """
    Screen { layout: vertical; }
    #views { height: 1fr; }
    CommandPalette SearchIcon { display: none; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("f", "fault_bell", "Bell on a new fault", id="app.bell"),
        Binding("d", "theme", "Dark or light", id="app.theme"),
        Binding("x", "drawing", "Dots of the curves", id="plot.drawing"),
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
        desk: BoardDesk | None = None,
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
        self.drawing = next((d for d in DRAWINGS if d == self.kept.drawing), DRAWINGS[0])
        self.replay = replay
        self.captures = [replay] if beside is None else [replay, beside]
        self.shift_ns = shift_ns
        ends = [replay.span_ns, *(r.span_ns - shift_ns for r in self.captures[1:])]
        self.clock = ReplayClock(max(ends), speed=speed, now=now)
        self.clock.seek(start_ns)
        self.snapshot: Snapshot | None = None
        self.title = disarmed(replay.vehicle.label)
        self.window_ns = next((w for w in WINDOWS_NS if w and w / 1e9 == self.kept.window_s), None)
        self.bell_on_fault = self.kept.bell
        self._faults: frozenset[str] = frozenset()
        self._play = play
        self._now = now
        self._keep = keep
        self._shown: tuple[object, ...] = ()
        self.desk = desk or BoardDesk()
        self._boards: dict[int, Judged] = {}
        self._judge = judge
        self._beside = Beside(self, self._work_out)
        self._reader: Beside | None = None
        self._make_views()
        if keys:
            self.set_keymap(dict(keys))

    def _make_views(self) -> None:
        self.pack = PackView()
        self.verdict = VerdictView()
        self.messages = MessagesView()
        self.span = SpanView()
        self.board = BoardView()
        self.behaviours = BehavioursView()
        self.views = [
            self.pack,
            self.verdict,
            NetworksView(),
            self.messages,
            FindingsView(),
            self.span,
            self.board,
        ]
        if any(replay.vehicle.behaviours for replay in self.captures):
            self.views.append(self.behaviours)
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
        if self.desk.trouble:
            self.notify(self.desk.trouble, severity="warning", timeout=20)
        self.call_after_refresh(self._beside.start)

    def _work_out(self, beside: Beside) -> None:
        """What takes a look at every frame: loads and findings of each capture, then its pack."""
        for number, replay in enumerate(tuple(self.captures)):
            if not replay.traffic.counted:
                beside.hand(self._know, number, completed(replay, beside.tell))
        for replay in tuple(self.captures):
            pack = [a for sensors in (False, True) for a in addresses(replay, sensors)]
            if not at_hand(replay, pack):
                beside.tell("reading cells and sensors")
                tracks(replay, pack)
                beside.hand(self.action_redraw)
        for number, replay in enumerate(tuple(self.captures)):
            beside.tell("judging limits")
            beside.hand(self._limits_judged, number, self.desk.judge(replay))
            if self._judge is not None:
                beside.tell("judging the pack")
                beside.hand(self._judged, number, self._judge(replay))
                if self.captures[number].set_aside:
                    judged = self.desk.judge(self.captures[number])
                    beside.hand(self._limits_judged, number, judged)
            beside.tell("judging behaviours")
            beside.hand(self._followed, number, told_behaviours(replay))
        gc.freeze()  # what judging has loaded and found stays: see keep_loaded

    def read_beside(self, replay: Replay, wanted: Sequence[SignalAddress]) -> None:
        """Read signals as a whole on a thread, then draw again; nothing where that is at hand."""
        if at_hand(replay, wanted) or (self._reader and self._reader.running):
            return

        def work(beside: Beside) -> None:
            tracks(replay, wanted)
            beside.hand(self.action_redraw)

        self._reader = Beside(self, work)
        self._reader.start()

    def _judged(self, number: int, report: PackReport | None) -> None:
        after = joined(self.captures[number], report)
        self.verdict.reports[after.table] = report
        self._know(number, after)

    def _followed(self, number: int, told: BehaviourReport | str | None) -> None:
        after = self.captures[number]
        if told is not None:
            self.behaviours.reports[after.table] = told
        self._know(number, with_failures(after, None if isinstance(told, str) else told))

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
        if self._reader:
            self._reader.leave()
        if self._keep:
            self._keep(self.kept)

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
        self._lay_board()
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
            drawing=self.drawing,
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
            recording, trouble = self.recording()
            transport = Transport(
                t_ns=t_ns,
                span_ns=self.clock.span_ns,
                playing=self.clock.playing,
                speed=self.clock.speed,
                a_ns=self.a_ns,
                b_ns=self.b_ns,
                behind_ns=self.clock.behind_ns(t_ns),
                live=self.clock.live,
                recording=recording,
                trouble=trouble,
                offset_ns=self.offset_ns,
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
        self.board.white = self.board.flashing and bool(self._now() // BLINK_NS % 2)
        white = self.board.white and self.view is self.board
        state = (clock.position_ns, clock.playing, clock.speed, self.theme, doing, white)
        if state != self._shown:
            self._shown = state
            self.action_redraw()

    def _ring(self, snapshot: Snapshot) -> None:
        if not self.bell_on_fault:
            return
        faults = faults_of(snapshot) | self._red(snapshot)
        if self.clock.playing and faults - self._faults:
            self.bell()
        self._faults = faults

    def action_fault_bell(self) -> None:
        """Ring on new faults, or no longer."""
        self.bell_on_fault = not self.bell_on_fault
        if self.snapshot:
            self._faults = faults_of(self.snapshot) | self._red(self.snapshot)
        self.action_redraw()

    def action_theme(self) -> None:
        """Dark or light."""
        self.theme = look.PAPER if self.theme == look.INK else look.INK
        self.call_after_refresh(self.action_redraw)

    def action_drawing(self) -> None:
        """The next kind of dots."""
        self.drawing = DRAWINGS[(DRAWINGS.index(self.drawing) + 1) % len(DRAWINGS)]
        self.notify(f"Curves are drawn out of {self.drawing} dots.", timeout=3)
        self.action_redraw()

    def look_into(self, key: FrameKey) -> None:
        """Open the workbench on a message, from A to B if both are set."""
        if key not in self.replay.table.groups:
            self.notify(f"no frame of {key} has come", severity="warning")
            return
        ends = [(end + self.offset_ns) / 1e9 for end in (self.a_ns, self.b_ns) if end is not None]
        others = [other for other in self.captures if other is not self.replay]
        t_ns = self.clock.position_ns + self.offset_ns
        try:
            self.push_screen(BenchScreen.on(key, self.replay, others, ends, t_ns))
        except UsageError as error:
            self.notify(str(error), severity="error")

    def action_help(self) -> None:
        """Explain the present screen."""
        view = self.view
        self.push_screen(HelpScreen(f"{view.title} screen", view.help, help_keys(self)))

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
