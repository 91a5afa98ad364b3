"""Boards: drawing, bytes to a terminal, the rule of alarms, the workbench on hidden fields.

    python tests/benchmarks/bench_board.py [draw] [terminal] [alarms] [workbench] [hour FILE]

Processor time only, so that a busy machine changes little. Seeds are fixed. About three minutes.
``hour`` takes the capture of an hour that ``make_capture.py`` makes; its plan is written beside it.
"""

from __future__ import annotations

import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[2]))

from bench_screens import busplan, drive, environment, position, report, settled
from support.hidden_fields import HIDDEN
from support.slow_alarms import changes
from watched_terminal import WatchedTerminal

from busplan.board.facts import judged_boards
from busplan.board.latch import Latch
from busplan.board.limits import Limit
from busplan.board.model import Board, Boards, Tile
from busplan.board.workbench import Bench, open_bench
from busplan.capture.capture import apply_plan
from busplan.capture.read import read_capture
from busplan.demo.captures import cached_capture
from busplan.demo.files import plan_file
from busplan.findings import Weight
from busplan.plan.reader import load_plan
from busplan.replay.opening import replay_of
from busplan.replay.pyramid import Pyramid
from busplan.replay.replay import Replay
from busplan.replay.track import Columns, Track
from busplan.text.board_draw import Shown, draw_board
from busplan.text.dots import Pen
from busplan.text.tiles import Look
from busplan.traffic.workbench import SURE, confirm, hold_against

S = 1_000_000_000
SIZES = {(120, 35): (0.12, 60.0), (200, 60): (0.20, 150.0)}
"""Bars: part of a core, kB a second."""


def opened(name: str, seed: int = 1) -> Replay:
    vehicle = load_plan(plan_file("as_built"))
    return replay_of(apply_plan(read_capture(cached_capture(name, seed=seed)), vehicle), vehicle)


def clocked(work, times: int = 5) -> float:
    """Least processor time of a few runs [s]."""
    found = []
    for _ in range(times):
        begin = time.process_time()
        work()
        found.append(time.process_time() - begin)
    return min(found)


def drawing() -> None:
    """Long series, and boards of twelve tiles."""
    n = 20_000_000
    value = np.random.default_rng(1).normal(size=n)
    begin = time.process_time()
    pyramid = Pyramid(value)
    pyramid.extremes(np.zeros(1, np.int64), np.array([n]))
    report("20 M values: pyramid", time.process_time() - begin, None, "{:.3f} s")
    track = Track("x", "", np.arange(n, dtype=np.int64) * 1_000_000, value, 1e9)
    track.__dict__["pyramid"] = pyramid
    for count in (120, 400):
        over = Columns.over(0, n * 1_000_000, count)
        took = clocked(lambda over=over: track.lowest_highest(over))
        report(f"20 M values in {count} columns", took * 1e3, 15.0, "{:.1f} ms")
    replay = opened("drive")
    for name, judged in (("charts", charts(replay)), ("automatic", judged_boards(replay, None))):
        for size in SIZES:
            look = Pen("quadrant", 2 if size[1] >= 50 else 1)

            def draw(t_ns: int, judged=judged, size=size, look=look) -> object:
                state = judged.at(judged.boards.boards[0], t_ns)
                shown = Shown(judged, state, replay, replay.snapshot(t_ns))
                return draw_board(shown, Look(t_ns, look), size[0], size[1] - 4)

            draw(120 * S)
            begin = time.process_time()
            for tick in range(50):
                draw(120 * S + tick * S // 10)
            took = (time.process_time() - begin) / 50
            report(f"{name}, {size[0]}x{size[1]}: one drawing", took * 1e3, 50.0, "{:.1f} ms")


def charts(replay: Replay):
    """Twelve charts of ten minutes."""
    names = [str(c.address) for c in replay.vehicle.pack.cells[:12]]  # type: ignore[union-attr]
    tiles = [
        Tile("chart", (4 * (i % 3), 3 * (i // 3)), (4, 3), (name,)) for i, name in enumerate(names)
    ]
    return judged_boards(replay, Boards((Board("charts", tuple(tiles), 60 * S),)))


def terminal() -> None:
    """The board in a real terminal while it plays: part of a core, bytes a second."""
    file = "".join(
        f'[[board.tile]]\nshow = "chart"\nsignals = "monitor_a/*/CellVoltage{i + 1:02}"\n'
        f"at = [{4 * (i % 3)}, {3 * (i // 3)}]\nsize = [4, 3]\n"
        for i in range(12)
    )
    with tempfile.TemporaryDirectory() as home:
        board = Path(home) / "charts.board.toml"
        board.write_text('[[board]]\nname = "charts"\nwindow_s = 60\n' + file)
        for name, more in (("12 charts", ["--board", str(board)]), ("automatic", [])):
            for size, (cpu, rate) in SIZES.items():
                told = Path(home) / "told"
                child = [sys.executable, __file__, "counted", str(told), *drive()[3:]]
                command = [*child, "--screen", "board", "--at", "120", *more]
                with WatchedTerminal(command, size, environment(Path(home))) as screen:
                    settled(screen)
                    sent = screen.bytes
                    while not told.exists() and screen.process.poll() is None:
                        screen.follow(0.5)
                    sent = screen.bytes - sent
                    first, cost, hz = map(float, told.read_text().split())
                    told.unlink()
                    what = f"{name}, {size[0]}x{size[1]}"
                    report(f"{what}: {cost * 1e3:.1f} ms a redraw, {hz:.1f} Hz", 10 * cost, cpu)
                    # At ten redraws a second, however many of them a busy machine lets through.
                    report(f"{what}: bytes", sent / (COUNTED - first) / 100, rate, "{:.0f} kB/s")


COUNTED = 200
"""Redraws whose processor time is measured, less those before the screens have settled."""


def counted(told: Path) -> None:
    """The child of :func:`terminal`: the screens, which count what a redraw costs."""
    import runpy

    from busplan.screens.app import ReplayApp

    plain, count, begin = ReplayApp.action_redraw, 0, (0, 0.0, 0.0)

    def redraw(self: ReplayApp) -> None:
        nonlocal count, begin
        plain(self)
        if not self._beside.done:
            return
        count += 1
        if count == COUNTED // 4:
            begin = count, time.process_time(), time.monotonic()
        if count == COUNTED:
            first, cpu, clock = begin
            n = count - first
            cost, hz = (time.process_time() - cpu) / n, n / (time.monotonic() - clock)
            told.write_text(f"{first} {cost} {hz}")

    ReplayApp.action_redraw = redraw  # type: ignore[method-assign]
    sys.argv = ["busplan", "replay", *sys.argv[4:]]
    runpy.run_module("busplan", run_name="__main__")


HOUR_TILES = (
    *(("chart", f"board_1/State{n}/CellVoltage{n:02}", "window_s = 60") for n in (1, 2, 3, 4)),
    *(("chart", f"board_1/State{n}/CellVoltage{n:02}", "") for n in (5, 6)),
    ("map", "cells", ""),
    ("figure", "board_2/State1/Distance", ""),
    ("bar", "board_2/State2/Temperature2", ""),
    ("dial", "board_0/State1/Temperature1", ""),
    ("needle", "board_0/State2/Distance", ""),
    ("alarms", "", ""),
)


def hour(capture: Path) -> None:
    """A board of twelve tiles on an hour of frames: what a key costs, from anywhere to anywhere."""
    from make_capture import write_plan

    plan = write_plan(capture.parent)
    text = '[[limit]]\nsignal = "cells"\ncaution_high = 6\n[[board]]\nname = "hour"\n'
    for i, (show, signals, more) in enumerate(HOUR_TILES):
        text += f'[[board.tile]]\nshow = "{show}"\nat = [{3 * (i % 4)}, {4 * (i // 4)}]\n'
        text += f"size = [3, 4]\n{more}\n" + f'signals = "{signals}"\n' * bool(signals)
    with tempfile.TemporaryDirectory() as home:
        board = Path(home) / "hour.board.toml"
        board.write_text(text)
        command = busplan("replay", str(capture), "--plan", str(plan), "--board", str(board))
        command += ["--screen", "board", "--hold", "--at", "1800"]
        for size in SIZES:
            with WatchedTerminal(command, size, environment(Path(home))) as screen:
                settled(screen)
                clocks, cpus = [], []
                begin, since = screen.cpu(), time.perf_counter()
                screen.follow(3.0)
                idle = (screen.cpu() - begin) / (time.perf_counter() - since)
                for n in range(30):
                    # Five seconds on, and from time to time to another end of the hour.
                    column = (37 * n + 11) % (size[0] - 2) + 1
                    jump = f"\x1b[<0;{column};{size[1] - 2}M\x1b[<0;{column};{size[1] - 2}m"
                    before, begin = position(screen.grid.text), screen.cpu()
                    typed = screen.write(jump if n % 3 == 0 else "]")
                    arrived = screen.wait(lambda t, b=before: position(t) != b, 5.0)
                    screen.follow(0.3)
                    clocks.append((arrived or typed + 5.0) - typed)
                    cpus.append(screen.cpu() - begin - idle * (time.perf_counter() - typed))
                what = f"hour, twelve tiles, {size[0]}x{size[1]}"
                report(f"{what}: key, processor", float(np.median(cpus)), 0.05, "{:.3f} s")
                report(f"{what}: slowest of 30", max(cpus), None, "{:.3f} s")
                report(f"{what}: by the clock", float(np.median(clocks)), None, "{:.3f} s")


def alarms() -> None:
    """The rule against its twin, its speed, and false alarms of noise."""
    rng = np.random.default_rng(5)
    same = 0
    for _ in range(300):
        n = int(rng.integers(1, 400))
        gaps = rng.integers(20, 400, n)
        gaps[rng.random(n) < 0.05] = 3000
        times = np.cumsum(gaps).astype(np.int64) * 1_000_000
        value = np.round(np.cumsum(rng.normal(0, 1, n)), 1)
        value[rng.random(n) < 0.05] = np.nan
        rule = (int(rng.integers(0, 900)) * 1_000_000, int(rng.integers(0, 3000)) * 1_000_000)
        limit = Limit("x", Weight.FAULT, above=True, value=0.5, back_by=0.4)
        state = limit.states(Track("x", "", times, value, 1e9), times, value)
        got = Latch(*rule).feed(times, state, 1e9, int(times[-1]) + 5 * S)
        slow = changes(times.tolist(), value.tolist(), 0.5, 0.4, *rule, S, int(times[-1]) + 5 * S)
        same += [(c.at_ns, c.raised) for c in got] == slow
    report("random series that agree with the twin (300)", float(same), None, "{:.0f}")
    times = np.arange(5_000_000, dtype=np.int64) * 100_000_000
    state = np.where(np.random.default_rng(1).random(len(times)) < 0.3, 1, -1).astype(np.int8)
    took = clocked(lambda: Latch(S, 5 * S).feed(times, state, 1e9, int(times[-1])), 3)
    report("5 M samples judged", took, None, "{:.2f} s")
    for off in (0, 1, 2, 3):
        counts = [false_alarms(off, seed) for seed in range(10)]
        report(
            f"false alarms an hour, white noise {off} sigma below", sum(counts) / 20, None, "{:.1f}"
        )


def false_alarms(off: float, seed: int) -> int:
    times = np.arange(72_000, dtype=np.int64) * 100_000_000
    value = np.random.default_rng(seed).normal(-off, 1.0, len(times))
    limit = Limit("x", Weight.CAUTION, above=True, value=0.0, back_by=2.0)
    state = limit.states(Track("x", "", times, value, 1e9), times, value)
    return sum(c.raised for c in Latch(S, 5 * S).feed(times, state, 1e9, int(times[-1])))


def workbench() -> None:
    """Hidden fields of the demo, and pairs that have nothing to do with each other."""
    replays: dict[tuple[str, int], Replay] = {}

    def replay(name: str, seed: int) -> Replay:
        return replays.setdefault((name, seed), opened(name, seed))

    def bench(name: str, seed: int, identifier: str) -> Bench:
        network, _, digits = identifier.partition("/")
        late = (20.0, 1e9)
        return open_bench(
            replay(name, seed), int(digits, 16), len(digits) == 10, network=network, within_s=late
        )

    among = found = 0
    for name, identifier, signal, truth in HIDDEN:
        held = bench(name, 1, identifier).held_against(signal, bench(name, 2, identifier))
        there = truth in [f.field for f in held.fits]
        among, found = among + there, found + (held.found and there)
        best = max((abs(f.r) for f in held.fits), default=0.0)
        print(
            f"  {name} {identifier} {truth}: {'yes' if there else 'NO'}, among {len(held.fits)}, "
            f"r {best:.4f}, {'found' if held.found else '; '.join(held.doubts)}"
        )
    report(
        f"hidden fields among the equally good ones (of {len(HIDDEN)})",
        float(among),
        None,
        "{:.0f}",
    )
    report("of them found", float(found), None, "{:.0f}")
    false = likely = 0
    for sample, known, again, known_again in unrelated(replay):
        held = hold_against(sample, known)
        likely += bool(held.fits) and abs(held.fits[0].r) >= SURE
        false += confirm(held, again, known_again).found
    report("false founds in 200 unrelated pairs", float(false), 0.0, "{:.0f}")
    report("of which r alone would have said found", float(likely), None, "{:.0f}")


def unrelated(replay) -> Iterator[tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]]:
    """Messages of one day held against signals of another day: the known one comes from seed 3."""
    rng = np.random.default_rng(7)
    one, other, third = (replay("drive", seed) for seed in (1, 2, 3))
    keys = [k for k, rows in one.index.messages.groups.items() if len(rows) > 500]
    signals = [a for a, _, s in one.vehicle.signals() if s.unit and s.length >= 8]
    from busplan.replay.track import tracks

    done = 0
    while done < 200:
        key = keys[int(rng.integers(len(keys)))]
        address = signals[int(rng.integers(len(signals)))]
        (track,) = tracks(third, [address])
        if track is None or len(track.time_ns) < 200 or np.isnan(track.range[0]):
            continue
        if track.range[0] == track.range[1]:
            continue
        benches = [
            open_bench(r, key.identifier, key.extended, network=key.network, within_s=(20.0, 1e9))
            for r in (one, other)
            if key in r.index.messages.groups
        ]
        if len(benches) < 2 or benches[0].width != benches[1].width:
            continue
        # Turned in time, so that not even the course of the drive is shared.
        turn = int(rng.integers(60, 400)) * S
        held = [track.held((b.time_ns + turn) % third.span_ns) for b in benches]
        done += 1
        yield benches[0].sample, held[0], benches[1].sample, held[1]


def main() -> None:
    if sys.argv[1:2] == ["counted"]:
        counted(Path(sys.argv[2]))
        return
    wanted = sys.argv[1:] or ["draw", "terminal", "alarms", "workbench"]
    for name, work in (
        ("draw", drawing),
        ("terminal", terminal),
        ("alarms", alarms),
        ("workbench", workbench),
    ):
        if name in wanted:
            work()
    if "hour" in wanted:
        hour(Path(wanted[wanted.index("hour") + 1]).resolve())


if __name__ == "__main__":
    main()
