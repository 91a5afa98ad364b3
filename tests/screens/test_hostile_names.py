"""Names that steer terminals, on every screen of the application."""

from pathlib import Path

from support.hostile import LOG, PLAN_FILE, steering, write_files
from support.pilot import FakeNow, screen_text, settle

from busplan.capture.capture import apply_plan
from busplan.capture.read import read_capture
from busplan.plan.reader import load_plan
from busplan.replay.replay import Replay
from busplan.screens.app import ReplayApp
from busplan.screens.workbench_screen import BenchScreen


async def test_no_screen_shows_what_steers_the_terminal(tmp_path: Path) -> None:
    write_files(tmp_path)
    vehicle = load_plan(tmp_path / PLAN_FILE)
    capture = apply_plan(read_capture(tmp_path / LOG), vehicle)
    replay = Replay.of(vehicle, capture.frames, findings=capture.findings, source=LOG)
    app = ReplayApp(replay, now=FakeNow())
    shown = []
    async with app.run_test(size=(120, 40)) as pilot:
        await settle(app, pilot)
        for key in ("1", "2", "3", "4", "5", "6", "7", "question_mark", "escape", "ctrl+p"):
            await pilot.press(key)
            await pilot.pause()
            shown.append(screen_text(app))
    assert sum("�" in text for text in shown) >= 5
    assert not steering("".join(shown))
    assert not steering(app.title)


async def test_what_is_told_in_passing_is_text_whatever_was_typed_or_named(tmp_path: Path) -> None:
    write_files(tmp_path)
    vehicle = load_plan(tmp_path / PLAN_FILE)
    capture = apply_plan(read_capture(tmp_path / LOG), vehicle)
    app = ReplayApp(Replay.of(vehicle, capture.frames), judge=None, now=FakeNow())
    async with app.run_test(size=(120, 40), notifications=True) as pilot:
        await settle(app, pilot)
        await pilot.press("4", "enter", "k", *"[/red]", "enter")
        await pilot.pause()
        assert isinstance(app.screen, BenchScreen)
        assert "[/red]" in screen_text(app)
        app.notify("[blink]\x1b[31m")
        await pilot.pause()
        assert "[blink]" in screen_text(app)
        assert not steering(screen_text(app))
