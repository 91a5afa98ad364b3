"""Filter, pins, palette, dialogs, bell, span, two captures, sizes: as a user drives them."""

from collections.abc import Iterator

import pytest
from support.pilot import FakeNow, S, screen_text, settle
from support.van import make_replay
from textual.command import CommandPalette
from textual.pilot import Pilot
from textual.widgets import Input, Label

from busplan.findings import Finding, Weight, Where
from busplan.replay.replay import Replay
from busplan.replay.watch import watch
from busplan.screens.app import ReplayApp
from busplan.screens.bars import TimeLine
from busplan.screens.dialogs import HelpScreen, MomentScreen
from busplan.screens.look import PAPER
from busplan.screens.memory import Layout
from busplan.screens.messages_view import MOST_PINS
from busplan.screens.sheet import Sheet
from busplan.text.runs import text


@pytest.fixture(scope="module")
def replay() -> Replay:
    plain = make_replay(gap_s=(10, 14))
    return plain.with_findings(watch(plain.lines, plain.span_ns))


def held(replay: Replay, seconds: float = 20, **more: object) -> ReplayApp:
    return ReplayApp(
        replay,
        start_ns=round(seconds * S),
        judge=None,
        now=FakeNow(),
        **more,  # type: ignore[arg-type]
    )


def rows(app: ReplayApp) -> list[str]:
    """The messages listed."""
    lines = app.replay.lines.lines
    return [
        m.name if (m := lines[number].message) else "?" for number in app.messages.table.numbers
    ]


async def test_the_filter_works_as_one_types_and_escape_clears_it(replay: Replay) -> None:
    app = held(replay)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("4")
        assert len(rows(app)) == 7
        await pilot.press("slash", *"pack")
        assert len(rows(app)) == 6
        await pilot.press("space", *"temp")
        assert rows(app) == ["ModuleTemperatures1", "ModuleTemperatures1"]
        assert "CellVoltages1" not in screen_text(app)
        await pilot.press(*"xq")
        assert rows(app) == []
        await pilot.press("backspace", "backspace", "enter", "down")
        assert app.messages.table.chosen == 1
        assert "monitor_b/ModuleTemperatures1" in screen_text(app)
        await pilot.press("escape")
        assert len(rows(app)) == 7
        assert not app.messages.has_class("-filtering")
        await pilot.press("1")
        assert app.view is app.pack, "digits after the filter are keys again"


async def test_signals_are_pinned_to_plots_and_to_the_span(replay: Replay) -> None:
    app = held(replay)
    async with app.run_test(size=(120, 35)) as pilot:
        await pilot.press("4", "p", "down", "right", "p")
        await pilot.pause()
        plot = [text(line) for line in app.query_one("#messages-plot", Sheet).lines]
        assert [line.split()[0] for line in plot if "/" in line] == [
            "pack/battery_master/PackStatus/PackCurrent",
            "pack/monitor_a/CellVoltages1/CellVoltage02",
        ]
        assert "PackCurrent 70.0 A'" in screen_text(app)
        await pilot.press("6")
        await pilot.pause()
        (span,) = [x for x in screen_text(app).split("\n") if "PackCurrent" in x]
        assert "50.0" in span
        assert "80.0" in span
        bells = count_bells(app)
        await pilot.press("4", "right", "p", "right", "p")
        assert len(app.messages.table.pinned) == MOST_PINS
        await pilot.press("down", "p")
        assert len(app.messages.table.pinned) == MOST_PINS
        assert next(bells) == 1
        await pilot.press("up", "right", "p", "up", "p")
        assert len(app.messages.table.pinned) == MOST_PINS - 2


def count_bells(app: ReplayApp) -> Iterator[int]:
    rung: list[None] = []
    app.bell = lambda: rung.append(None)  # type: ignore[method-assign]

    def count() -> Iterator[int]:
        while True:
            yield len(rung)

    return count()


async def test_the_palette_offers_every_action_and_each_of_them_runs(replay: Replay) -> None:
    app = held(replay)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        for number, view in enumerate(app.views, 1):
            await pilot.press(str(number))
            await pilot.pause()
            offered = {c.title: c for c in app.get_system_commands(app.screen)}
            named = {
                b.binding.description
                for b in app.screen.active_bindings.values()
                if b.binding.show and b.binding.id and not b.binding.id.startswith("screen.")
            }
            assert named <= set(offered)
            assert {f"Open {v.title}" for v in app.views} <= set(offered)
            assert len(offered) > 25, view.title
        app.open(app.pack)
        await pilot.pause()
        for title, command in offered.items():
            if title in ("Quit", "Help", "Go to a moment", "Filter"):
                continue
            result = command.callback()
            if result is not None:
                await result
        await pilot.pause()
        assert app.is_running


async def test_the_palette_runs_what_is_chosen(replay: Replay) -> None:
    app = held(replay)
    async with app.run_test(size=(80, 24)) as pilot:
        await choose(pilot, "gotonodestopped")
        assert app.clock.position_ns == next(
            f.where.time_ns for f in replay.findings if f.code == "node-stopped"
        )
        await choose(pilot, "set a")
        assert app.a_ns == app.clock.position_ns
        await choose(pilot, "open messages")
        assert app.view is app.messages
        await choose(pilot, "pin signal")
        assert len(app.messages.table.pinned) == 1


async def choose(pilot: Pilot[None], words: str) -> None:
    await pilot.press("ctrl+p")
    await pilot.pause()
    assert isinstance(pilot.app.screen, CommandPalette)
    await pilot.press(*words.replace(" ", ""))
    for _ in range(50):
        await pilot.pause(0.02)
        if pilot.app.screen.query_one("CommandList").option_count:  # type: ignore[attr-defined]
            break
    await pilot.press("enter")
    await pilot.pause()


async def test_the_dialog_goes_to_times_and_findings_and_tells_what_it_cannot_read(
    replay: Replay,
) -> None:
    app = held(replay)
    silent = next(f.where.time_ns for f in replay.findings if f.code == "node-stopped")
    async with app.run_test(size=(80, 24)) as pilot:
        for typed, wanted in (("12", 12 * S), ("+1", 13 * S), ("monitor_a stopped", silent)):
            await enter(pilot, typed)
            assert len(app.screen_stack) == 1
            assert app.clock.position_ns == wanted
        for wrong in ("soon", "[x", "[/red]", ""):
            await enter(pilot, wrong)
            assert isinstance(app.screen, MomentScreen)
            told = str(app.screen.query_one(Label).render())
            assert told.startswith(f"Neither a moment nor in a finding: {wrong!r}. Go to 90 (s)")
            shown = " ".join(line.strip("mc│ ") for line in screen_text(app).split("\n"))
            assert "-10, 50 % or words of a finding" in shown
            await pilot.press("escape")
            assert len(app.screen_stack) == 1
        assert app.clock.position_ns == silent


async def enter(pilot: Pilot[None], typed: str) -> None:
    await pilot.press("g")
    pilot.app.screen.query_one(Input).value = typed
    await pilot.press("enter")
    await pilot.pause()


async def test_n_steps_through_the_findings_and_enter_in_their_list_goes_there(
    replay: Replay,
) -> None:
    app = held(replay, 0)
    moments = [f.where.time_ns for f in replay.findings if f.where.time_ns]
    async with app.run_test(size=(80, 24)) as pilot:
        bells = count_bells(app)
        for moment in moments:
            await pilot.press("n")
            assert app.clock.position_ns == moment
        assert next(bells) == 0
        await pilot.press("n")
        assert next(bells) == 1
        await pilot.press("home", "5", "enter")
        await pilot.pause()
        assert app.clock.position_ns == replay.findings[0].where.time_ns


async def test_every_screen_has_its_own_help_with_its_keys(replay: Replay) -> None:
    app = ReplayApp(replay, beside=replay, judge=None, now=FakeNow())
    seen = set()
    async with app.run_test(size=(80, 24)) as pilot:
        for number, view in enumerate(app.views, 1):
            await pilot.press(str(number), "question_mark")
            await pilot.pause()
            assert isinstance(app.screen, HelpScreen)
            lines = [text(line) for line in app.screen.query_one(Sheet).lines]
            assert lines[0] == f"{view.title} screen"
            shown = " ".join(lines)
            assert view.help.split("\n")[0][:30] in shown
            assert "High voltage can kill" in shown
            names = {line.split()[-1] for line in lines if line}
            own = {b.id for b in view.BINDINGS}  # type: ignore[union-attr]
            assert names >= own | {"time.toggle", "app.quit", "app.help"}
            seen.add(shown)
            await pilot.press("q")
            assert len(app.screen_stack) == 1
    assert len(seen) == len(app.views)


async def test_the_bell_rings_once_for_a_new_fault_and_only_when_asked_to() -> None:
    # Cell 6 sinks at 0.2 mV/s and leaves the window of 3.0 V some 10 s after the start.
    quiet = make_replay(sag_v=0.698)
    (fault,) = [t for t in quiet.snapshot(20 * S).troubles if t.weight == Weight.FAULT]
    assert fault.word == "CELL TOO LOW"
    assert all(t.weight < Weight.FAULT for t in quiet.snapshot(5 * S).troubles)
    now = FakeNow()
    app = ReplayApp(quiet, start_ns=5 * S, judge=None, play=True, now=now)
    async with app.run_test(size=(80, 24)) as pilot:
        bells = count_bells(app)

        async def pass_time(seconds: int) -> None:
            for _ in range(seconds):
                now.ns += S
                app.action_redraw()
                await pilot.pause()

        await pass_time(10)
        assert app.clock.position_ns == 15 * S
        assert next(bells) == 0
        await pilot.press("f", "home", "right_square_bracket")
        assert "bell on" in screen_text(app)
        await pass_time(10)
        assert next(bells) == 1


async def test_a_span_is_marked_measured_and_cleared(replay: Replay) -> None:
    app = held(replay, 5)
    async with app.run_test(size=(120, 35)) as pilot:
        await pilot.press("b", "left_square_bracket", "full_stop", "a", "6")
        await pilot.pause()
        shown = screen_text(app)
        assert "A to B  0:00:00.1 to 0:00:05.0  (4.9 s)" in shown
        assert "A 0:00:00.1  B 0:00:05.0  (4.9 s)" in shown
        assert "Whole capture" not in shown
        await pilot.press("c")
        await pilot.pause()
        assert "Whole capture" in screen_text(app)
        assert (app.a_ns, app.b_ns) == (None, None)


async def test_two_captures_stand_side_by_side_and_o_changes_between_them() -> None:
    before, after = make_replay(seconds=25), make_replay(seconds=10, sag_v=0.0)
    app = ReplayApp(before, beside=after, shift_ns=2 * S, start_ns=5 * S, judge=None, now=FakeNow())
    async with app.run_test(size=(120, 35)) as pilot:
        await pilot.press("8")
        await pilot.pause()
        shown = screen_text(app)
        assert "CELLS UNEVEN" in shown
        assert "ALL EVEN" in shown
        assert "1 heron.log  0:00:05.0" in shown
        assert "2 heron.log  0:00:07.0" in shown
        assert "+0.060 V" in shown
        await pilot.press("1")
        await pilot.pause()
        assert "CELLS UNEVEN" in screen_text(app)
        await pilot.press("o")
        await pilot.pause()
        assert "ALL EVEN" in screen_text(app)
        assert app.snapshot
        assert app.snapshot.t_ns == 7 * S
        await pilot.press("end")
        assert app.clock.position_ns == before.span_ns
        await pilot.press("8")
        await pilot.pause()
        shown = screen_text(app)
        assert "2 heron.log  0:00:09.9  its end" in shown
        assert "1 heron.log  0:00:24.9  its end" in shown


async def test_findings_and_spans_of_a_shifted_capture_count_in_its_own_time() -> None:
    noted = [
        Finding("frame-late", Weight.NOTE, Where(time_ns=t * S), f"Number {n}.")
        for n, t in enumerate((4, 8))
    ]
    before, after = make_replay(seconds=20), make_replay(seconds=10, findings=noted)
    app = ReplayApp(before, beside=after, shift_ns=2 * S, judge=None, now=FakeNow())
    async with app.run_test(size=(120, 35)) as pilot:

        async def at(t_ns: int) -> None:
            await pilot.pause()
            assert app.snapshot
            assert app.snapshot.t_ns == t_ns
            assert app.clock.position_ns == t_ns - 2 * S

        await pilot.press("o", "n")
        await at(4 * S)
        track = text(app.query_one(TimeLine).lines[0])
        assert [track.index("."), track.rindex(".")] == [round(t / 20 * 119) for t in (2, 6)]
        assert "2 at 0:00:04.0" in screen_text(app)
        await pilot.press("a", "n", "b")
        await at(8 * S)
        await pilot.press("6")
        await pilot.pause()
        assert "A to B  0:00:04.0 to 0:00:08.0" in screen_text(app)
        await pilot.press("N")
        await at(4 * S)
        await enter(pilot, "number 1")
        await at(8 * S)
        await pilot.press("5", "up", "enter")
        await at(4 * S)


async def test_the_end_of_a_capture_shown_earlier_can_be_reached() -> None:
    before, after = make_replay(seconds=10), make_replay(seconds=10)
    app = ReplayApp(before, beside=after, shift_ns=-2 * S, judge=None, now=FakeNow())
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("end", "o")
        await pilot.pause()
        assert app.snapshot
        assert app.snapshot.t_ns == after.span_ns
        assert app.clock.position_ns == after.span_ns + 2 * S


async def test_the_layout_is_handed_over_and_taken_up_again(replay: Replay) -> None:
    left: list[Layout] = []
    app = held(replay, keep=left.append)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("v", "t", "z", "d", "f", "3")
        await pilot.pause()
    (kept,) = left
    assert kept.screen == "networks"
    assert kept.theme == PAPER
    assert kept.bell
    assert (kept.density, kept.overlay) != ("", "map")
    again = held(replay, layout=kept, keep=left.append)
    async with again.run_test(size=(80, 24)) as pilot:
        await pilot.pause()
        assert again.view.id == "networks"
        assert again.theme == PAPER
    assert left[1] == kept


async def test_the_layout_changes_with_the_width(replay: Replay) -> None:
    app = held(replay)
    async with app.run_test(size=(80, 24)) as pilot:
        await settle(app, pilot)
        assert not app.pack.has_class("-wide")
        assert " 2 Verd 3" in screen_text(app)
        await pilot.resize_terminal(160, 45)
        await settle(app, pilot)
        assert app.pack.has_class("-wide")
        assert " 2 Verdict  3" in screen_text(app)
        assert app.query_one("#pack-side").region.x > app.query_one("#pack-map").region.x
        await pilot.resize_terminal(60, 18)
        await settle(app, pilot)
        assert not app.pack.has_class("-wide")
        shown = screen_text(app).split("\n")
        assert len(shown) == 18
        assert "High voltage can kill" in shown[-1]


async def test_what_is_told_beside_the_keys_never_hides_them(replay: Replay) -> None:
    app = held(replay)
    async with app.run_test(size=(50, 24)) as pilot:
        await pilot.press("f")
        await pilot.pause()
        assert app.bell_on_fault
        assert "bell on" not in screen_text(app)
        assert "? help  q quit" in screen_text(app)
