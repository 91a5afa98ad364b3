"""What the screens cost in a real terminal: processor time, key to screen, opening, seeking.

    python tests/benchmarks/bench_screens.py [cpu] [rows] [keys] [start] [--big FILE]

Runs ``busplan`` itself in a pseudo-terminal and watches what arrives there; prints every figure
with its bar. ``--big`` names a capture of an hour made by ``make_capture.py``; its plan is written
beside it. Linux only. About six minutes; keep the machine quiet.
"""

from __future__ import annotations

import argparse
import os
import platform
import re
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
sys.path.insert(0, str(Path(__file__).parents[2]))

from watched_terminal import WatchedTerminal

from busplan.wording import percent

SIZES = ((80, 24), (160, 45), (200, 60))
SCREENS = {"1": "pack", "2": "verdict", "3": "networks", "4": "messages", "5": "findings"}
SCREENS |= {"6": "span", "7": "board"}
MARKS = {"1": r"(?m)^A +A1 ", "3": r"biggest", "4": r"cycle ms", "5": r"do: ", "7": r"lowest cell"}
"""What only that screen shows."""
SECONDS = 4.0
CPU_BAR, ROWS_BAR, KEY_BAR = 0.20, 0.15, 0.050
BESIDE = re.compile(r"judging (limits|the pack)|reading cells|counting|looking for")
"""What the line of time says while something is worked out."""
_CLOCK = re.compile(r"(\d+):(\d\d):(\d\d)\.(\d) of ")
_CHOSEN = re.compile(r"([\w.+?]+/[\w.+?]+/[\w.+?]+)  0x")

missed = 0


def report(what: str, value: float, bar: float | None, form: str = "") -> None:
    """One figure and its bar, as a share unless ``form`` says how they are shown."""
    shown = form.format if form else percent
    global missed
    verdict = ""
    if bar is not None:
        missed += value > bar
        verdict = f"   bar {shown(bar)}  {'met' if value <= bar else 'MISSED'}"
    print(f"{what:<52}{shown(value):>10}{verdict}", flush=True)


def milliseconds(seconds: float) -> str:
    return f"{seconds * 1e3:.1f} ms"


def environment(home: Path) -> dict[str, str]:
    """A user with folders of their own, except for the compiled kernels and the demo's captures."""
    own = {f"XDG_{kind}_HOME": str(home / kind) for kind in ("STATE", "CONFIG")}
    unset = {"NO_COLOR", "COLUMNS", "LINES"}
    rest = {k: v for k, v in os.environ.items() if k not in unset}
    paths = {"PYTHONPATH": str(Path(__file__).parents[2])}
    return {**rest, **own, **paths, "TERM": "xterm-256color", "COLORTERM": "truecolor"}


def busplan(*arguments: str) -> list[str]:
    return [sys.executable, "-m", "busplan", *arguments]


def drive() -> list[str]:
    """The demo's drive with all six networks."""
    from busplan.demo.captures import cached_capture
    from busplan.demo.files import plan_file

    capture, plan = cached_capture("drive", seed=1), plan_file("as_built")
    return busplan("replay", str(capture), "--plan", str(plan))


def position(text: str) -> float:
    """The moment that is shown [s]."""
    found = _CLOCK.search(text)
    if not found:
        return -1.0
    hours, minutes, seconds, tenths = map(int, found.groups())
    return 3600 * hours + 60 * minutes + seconds + tenths / 10


def settled(terminal: WatchedTerminal) -> None:
    """Wait until nothing is worked out beside the screens any more."""
    terminal.wait_for(r"licensed people")
    quiet = 0
    while quiet < 2:
        before, begin = terminal.cpu(), time.perf_counter()
        terminal.follow(1.0)
        busy = (terminal.cpu() - before) / (time.perf_counter() - begin) >= 0.5
        quiet = 0 if busy or BESIDE.search(terminal.grid.text) else quiet + 1


def playing(terminal: WatchedTerminal) -> float:
    """The part of a core that the program takes while it plays."""
    before, begin = terminal.cpu(), time.perf_counter()
    terminal.follow(SECONDS)
    share = (terminal.cpu() - before) / (time.perf_counter() - begin)
    if "PLAY" not in terminal.grid.text:
        sys.exit(f"not playing:\n{terminal.grid.text}")
    return share


def processor(command: list[str], home: Path) -> None:
    """CPU of each screen at x1."""
    for size in SIZES:
        with WatchedTerminal([*command, "--at", "120"], size, environment(home)) as terminal:
            settled(terminal)
            for key, name in SCREENS.items():
                terminal.write(key)
                terminal.follow(1.0)
                sent = terminal.bytes
                share = playing(terminal)
                rate = (terminal.bytes - sent) / SECONDS / 1e3
                report(f"x1, {name}, {size[0]}x{size[1]} ({rate:.0f} kB/s)", share, CPU_BAR)


def rows(home: Path) -> None:
    """CPU of the message table with many rows at 10 Hz, and of the pack they make."""
    child = [sys.executable, __file__, "--many"]
    for size in SIZES:
        with WatchedTerminal(child, size, environment(home)) as terminal:
            settled(terminal)
            terminal.wait_for(MARKS["4"])
            report(f"500 rows at 10 Hz, {size[0]}x{size[1]}", playing(terminal), ROWS_BAR)
            terminal.write("1")
            terminal.follow(1.0)
            report(f"    pack of 1,920 cells, {size[0]}x{size[1]}", playing(terminal), None)


def show_many() -> None:
    """The child of :func:`rows`: a made pack of 1,920 cells, more than 500 messages."""
    from support.van import make_replay

    from busplan.screens.start import run_replay

    replay = make_replay([[16] * 8] * 15, 100.0, sensors=2)
    assert len(replay.lines.lines) >= 500
    run_replay(replay, screen="messages", play=True)


Expected = Callable[[str], bool]


def keys(size: tuple[int, int]) -> Iterator[tuple[str, str, Callable[[str], Expected]]]:
    """Kind, key, and what must be seen, given what was shown when it was typed."""

    def screen(key: str) -> Callable[[str], Expected]:
        others = [m for k, m in MARKS.items() if k != key]
        return lambda _: (
            lambda text: (
                re.search(MARKS[key], text) is not None
                and not any(re.search(m, text) for m in others)
            )
        )

    def moved(by_s: float) -> Callable[[str], Expected]:
        def since(before: str) -> Expected:
            start = position(before)
            return lambda text: (position(text) - start) / by_s > 0.5

        return since

    def chosen(before: str) -> Expected:
        name = _CHOSEN.search(before)
        return lambda text: (
            (now := _CHOSEN.search(text)) is not None and (name is None or now[1] != name[1])
        )

    def word(expected: str) -> Callable[[str], Expected]:
        return lambda _: lambda text: expected in text

    for _ in range(4):
        for key in ("4", "1", "3", "5", "7"):
            yield "screen", key, screen(key)
            yield "seek", "}", moved(60)
            yield "seek", "{", moved(-60)
            yield "step", ".", word("HELD")
            yield "play", " ", word("PLAY")
            if key == "4":
                for _ in range(4):
                    yield "choose", "\x1b[B", chosen
                for _ in range(4):
                    yield "choose", "\x1b[A", chosen


def latency(command: list[str], home: Path) -> None:
    """Key to screen while playing."""
    for speed in (1, 100):
        for size in (SIZES[0], SIZES[-1]):
            taken: dict[str, list[float]] = {}
            at = [*command, "--at", "120", "--speed", str(speed)]
            with WatchedTerminal(at, size, environment(home)) as terminal:
                settled(terminal)
                terminal.write("1")
                terminal.follow(0.5)
                for kind, key, expect in keys(size):
                    if speed > 1 and not 70 < position(terminal.grid.text) < 350:
                        terminal.write("\x1b[H}}")
                        terminal.follow(0.1)
                    if kind != "play" and "HELD" in terminal.grid.text:
                        terminal.write(" ")
                    terminal.follow(0.17)
                    shown = expect(terminal.grid.text)
                    typed = terminal.write(key)
                    arrived = terminal.wait(shown, 5.0)
                    if arrived is None:
                        print(f"    {kind} {key!r} was never shown\n{terminal.grid.text}")
                    taken.setdefault(kind, []).append((arrived or typed + 5.0) - typed)
            every = sorted(t for times in taken.values() for t in times)
            where = f"x{speed}, {size[0]}x{size[1]}"
            report(
                f"key to screen, median of {len(every)}, {where}",
                statistics.median(every),
                KEY_BAR,
                "{:.3f} s",
            )
            print(
                f"    95th percentile {milliseconds(every[int(len(every) * 0.95)])}, worst "
                f"{milliseconds(every[-1])}; medians: "
                + ", ".join(f"{k} {milliseconds(statistics.median(v))}" for k, v in taken.items())
            )


def start(home: Path) -> None:
    """Command to first pack screen on the demo; a first run with nothing kept."""
    for n in range(3):
        with WatchedTerminal(busplan("demo"), SIZES[0], environment(home)) as terminal:
            shown = terminal.wait_for(MARKS["1"])
            report(
                f"busplan demo to first pack screen, run {n + 1}",
                shown - terminal.begin,
                None,
                "{:.2f} s",
            )
    empty = home / "empty"
    fresh = environment(home) | {
        "XDG_CACHE_HOME": str(empty),
        "NUMBA_CACHE_DIR": str(empty / "numba"),
    }
    with WatchedTerminal(busplan("demo"), SIZES[0], fresh) as terminal:
        said = terminal.wait(lambda text: text.strip() != "") or terminal.begin
        shown = terminal.wait_for(MARKS["1"], 120)
        report(
            "first run, nothing compiled or kept: first word",
            said - terminal.begin,
            None,
            "{:.2f} s",
        )
        report(
            "first run, nothing compiled or kept: pack", shown - terminal.begin, None, "{:.2f} s"
        )


def big(capture: Path, home: Path) -> None:
    """A capture of an hour: opening, memory, seeking."""
    from make_capture import write_plan

    plan = write_plan(capture.parent)
    command = busplan("replay", str(capture), "--plan", str(plan), "--hold", "--at", "1800")
    text = busplan("replay", str(capture), "--plan", str(plan), "--text", "--at", "1800")
    for what in ("first", "second"):  # of a store that is ready
        with WatchedTerminal(command, SIZES[0], environment(home)) as terminal:
            shown = terminal.wait_for(MARKS["1"], 120)
            report(
                f"{what} opening of a ready store: first screen",
                shown - terminal.begin,
                None,
                "{:.2f} s",
            )
            typed = terminal.write("4")
            arrived = terminal.wait(lambda t: "cycle ms" in t)
            if arrived:
                report("    key to screen while still opening", arrived - typed, None, "{:.3f} s")
            terminal.write("1")
            settled(terminal)
            report(
                "    everything worked out after",
                time.perf_counter() - terminal.begin - 2,
                None,
                "{:.1f} s",
            )
            report("    peak memory", terminal.memory()["peak"], 2.0, "{:.2f} GB")
    for size in (SIZES[0], SIZES[-1]):
        with WatchedTerminal(command, size, environment(home)) as terminal:
            settled(terminal)
            for key, name in SCREENS.items():
                if name == "span":
                    continue
                terminal.write(key)
                terminal.follow(1.0)
                taken = []
                for n in range(20):
                    column = (37 * n + 11) % (size[0] - 2) + 1
                    wanted = (column - 1) / (size[0] - 1) * 3600
                    typed = terminal.write(
                        f"\x1b[<0;{column};{size[1] - 2}M\x1b[<0;{column};{size[1] - 2}m"
                    )
                    arrived = terminal.wait(
                        lambda t, w=wanted, d=3600 / size[0]: abs(position(t) - w) < d, 5.0
                    )
                    taken.append((arrived or typed + 5.0) - typed)
                    terminal.follow(0.1)
                report(
                    f"seek anywhere, {name}, {size[0]}x{size[1]}, median of {len(taken)}",
                    statistics.median(taken),
                    KEY_BAR,
                    "{:.3f} s",
                )
            report("    memory after seeking", terminal.memory()["peak"], 2.0, "{:.2f} GB")
    begin = time.perf_counter()
    subprocess.run(text, check=True, env=environment(home), capture_output=True)
    report("replay --text --at 1800", time.perf_counter() - begin, None, "{:.2f} s")


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("parts", nargs="*", choices=["cpu", "rows", "keys", "start", []])
    parser.add_argument("--big", type=Path)
    parser.add_argument("--many", action="store_true", help=argparse.SUPPRESS)
    asked = parser.parse_args()
    if asked.many:
        show_many()
        return
    parts = asked.parts or ([] if asked.big else ["cpu", "rows", "keys", "start"])
    print(
        f"{platform.machine()}, {os.cpu_count()} cores, load {os.getloadavg()[0]:.1f}, "
        f"Python {platform.python_version()}"
    )
    with tempfile.TemporaryDirectory() as folder:
        home = Path(folder)
        if "cpu" in parts:
            processor(drive(), home)
        if "rows" in parts:
            rows(home)
        if "keys" in parts:
            latency(drive(), home)
        if "start" in parts:
            start(home)
        if asked.big:
            big(asked.big.resolve(), home)
    print(f"{missed} bars missed" if missed else "all bars met")


if __name__ == "__main__":
    main()
