"""Opening: the screens come first, what takes a look at every frame follows beside them."""

import threading

from support.van import make_table, make_vehicle

from busplan.capture.capture import Capture
from busplan.replay.opening import completed, first_replay, replay_of
from busplan.replay.replay import Replay
from busplan.replay.span import measure_span
from busplan.screens.app import ReplayApp
from busplan.screens.bars import TimeLine
from busplan.screens.sheet import Sheet
from busplan.text.runs import text

S = 1_000_000_000


def make() -> Capture:
    table = make_table(make_vehicle([(4, 4), (4,)]), 30.0, gap_s=(10, 14))
    return Capture(table, (), ())


def lines_of(app: ReplayApp) -> str:
    """What the present screen and the line of time show."""
    sheets = [*app.view.query(Sheet), app.query_one(TimeLine)]
    return "\n".join(text(line) for sheet in sheets for line in sheet.lines)


def test_the_first_replay_shows_the_same_pack_and_completing_it_gives_the_whole() -> None:
    capture = make()
    vehicle = make_vehicle([(4, 4), (4,)])
    first, whole = first_replay(capture, vehicle), replay_of(capture, vehicle)
    shots = first.snapshot(20 * S), whole.snapshot(20 * S)
    packs = [shot.pack for shot in shots]
    assert packs[0] is not None
    assert packs[1] is not None
    assert packs[0].cells.value.tolist() == packs[1].cells.value.tolist()
    assert [load.counted for load in shots[0].loads] == [False, False]
    assert [load.recorded for load in shots[0].loads] == [True, True]
    assert first.snapshot(12 * S).silent == whole.snapshot(12 * S).silent
    told: list[str] = []
    after = completed(first, told.append)
    assert after.snapshot(20 * S).loads == shots[1].loads
    assert after.findings == whole.findings
    assert [f.code for f in after.findings] == ["node-stopped"]
    assert told[-2:] == ["counting loads 100 %", "looking for gaps"]


async def test_screens_work_while_loads_are_being_counted_and_quitting_does_not_wait(
    monkeypatch,
) -> None:
    release = threading.Event()

    def slow(replay: Replay, told=None) -> Replay:
        told("counting loads 7 %")
        assert release.wait(30)
        told("counting loads 8 %")
        return completed(replay)

    monkeypatch.setattr("busplan.screens.app.completed", slow)
    capture, vehicle = make(), make_vehicle([(4, 4), (4,)])
    app = ReplayApp(first_replay(capture, vehicle), judge=None, start_ns=20 * S)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause(0.15)
        shown = lines_of(app)
        assert "being counted" in shown
        assert "counting loads 7 %" in shown
        assert "62 mV" in shown
        await pilot.press("3")
        await pilot.pause(0.05)
        assert lines_of(app).count("being counted") >= 2
        await pilot.press("7")
        release.set()
        for _ in range(100):
            await pilot.pause(0.05)
            if app.replay.traffic.counted:
                break
        await pilot.press("1")
        await pilot.pause(0.15)
        assert "being counted" not in lines_of(app)
        assert "counting loads" not in lines_of(app)
        assert [f.code for f in app.replay.findings] == ["node-stopped"]
    release.clear()
    left = ReplayApp(first_replay(capture, vehicle), judge=None)
    async with left.run_test(size=(80, 24)) as pilot:
        while not left._beside.running:
            await pilot.pause(0.05)
        await pilot.press("q")
    release.set()
    left._beside._thread.join(30)
    assert not left.replay.traffic.counted


async def test_a_long_span_is_measured_beside_the_screens(monkeypatch) -> None:
    release = threading.Event()

    def slow(replay: Replay, a_ns: int, b_ns: int, chosen=()):
        assert release.wait(30)
        return measure_span(replay, a_ns, b_ns, chosen)

    monkeypatch.setattr("busplan.screens.span_view.AT_ONCE", 100)
    monkeypatch.setattr("busplan.screens.span_view.measure_span", slow)
    app = ReplayApp(replay_of(make(), make_vehicle([(4, 4), (4,)])), judge=None)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.press("6")
        await pilot.pause(0.05)
        assert "being measured" in lines_of(app)
        await pilot.press("right_square_bracket")
        assert "0:00:05.0" in lines_of(app)
        release.set()
        for _ in range(100):
            await pilot.pause(0.05)
            if "being measured" not in lines_of(app):
                break
        assert "PackStatus" in lines_of(app)
