"""A live bench test at the terminal: messages with their verdict so far, what is certain early.

A thread of its own looks at what has come, so that listening never waits for it; it takes a quarter
of a core at most.
"""

from __future__ import annotations

import math
import threading
import time
from typing import TYPE_CHECKING

from busplan.cli.output import print_text
from busplan.cli.recording import Display
from busplan.live.listening import Guide
from busplan.wording import counted, disarmed, plain

if TYPE_CHECKING:
    from rich.table import Table

    from busplan.bench.early import EarlyLook
    from busplan.bench.run import BenchTest
    from busplan.findings import Finding
    from busplan.frames.table import FrameTable
    from busplan.live.recording_status import RecordingStatus

LOOK_EVERY_S = 1.0
BUSY_PART = 0.25
AROUND = 12
"""Lines of a screen that are not the table's rows: title, frame, caption, what was told."""
LEAST_ROWS = 4
WAITING_ROWS = 1
"""While nothing is heard the room is for what to look at."""


class Terminal(Guide):
    """Leads the tester through one test of so many ``seconds``."""

    def __init__(self, test: BenchTest, seconds: float) -> None:
        self._test = test
        self._seconds = seconds
        power_on = test.limits.power_on_ns
        if test.limits.power_cycles:  # off before, as it was told to be
            power_on = test.limits.power_cycles[0][1]
        self._power_on_s = 0.0 if power_on is None else power_on / 1e9
        faults = test.limits.faults
        self._look_until_s = faults[0].make_ns / 1e9 - 1.0 if faults else math.inf
        """Faults by hand make everything look wrong."""
        self._display = BenchDisplay()
        self._tables: list[FrameTable] = []
        self._lock = threading.Lock()
        self._over = threading.Event()
        self._begun = threading.Event()
        self._begin = 0.0
        self._looks = 0
        self._told: set[tuple[str, ...]] = set()
        self._thread = threading.Thread(target=self._watch, daemon=True)

    def say(self, words: str) -> None:
        """What happens next."""
        print_text(words, err=True)

    def cue(self, words: str) -> None:
        """What the tester has to do now, with a bell."""
        self._display.bell()
        self._display.tell(words)
        self._display.now = words

    def told(self, words: str) -> None:
        """What goes out or comes in; no bell."""
        self._display.tell(words)

    def listening(self, status: RecordingStatus) -> None:
        """The counts so far."""
        if not self._begun.is_set():
            self._begin = time.monotonic() - status.elapsed_s
            self._begun.set()
            self._thread.start()
        self._display.update(status)
        if not status.whole and self._look_until_s > status.elapsed_s:
            self._look_until_s = status.elapsed_s
            self._display.tell("! the recording is not whole: what comes is judged at the end")

    def frames(self, table: FrameTable) -> None:
        """What has just come, for the next look."""
        so_far = 0.0 if not self._begun.is_set() else time.monotonic() - self._begin
        if len(table) and so_far < self._look_until_s:
            with self._lock:
                self._tables.append(table)

    def heard(self) -> None:
        """Listening has ended."""
        self._over.set()
        if self._begun.is_set():
            self._thread.join()
        self._display.close()

    def _watch(self) -> None:
        took_s = 0.0
        while not self._over.wait(max(LOOK_EVERY_S, took_s / BUSY_PART)):
            begin = time.monotonic()
            try:
                self._look()
            except Exception as error:  # looking ahead must never end a test
                self._display.tell(f"! looking ahead failed: {error}")
                return
            took_s = time.monotonic() - begin

    def _look(self) -> None:
        from busplan.bench.early import look
        from busplan.frames.table import FrameTable, concatenate

        with self._lock:
            if len(self._tables) > 1:
                self._tables = [concatenate(self._tables)]
            table = self._tables[0] if self._tables else FrameTable.empty([self._test.network])
        self._looks += 1
        seen = look(
            self._test,
            table,
            elapsed_s=time.monotonic() - self._begin,
            seconds=self._seconds,
            number=self._looks,
            power_on_s=self._power_on_s,
        )
        self._display.show(self._test.node, seen)
        self._tell(seen)

    def _tell(self, seen: EarlyLook) -> None:
        for finding in seen.certain:
            key = _sense(finding)
            if key not in self._told:
                self._told.add(key)
                self._display.tell(
                    f"{finding.weight.mark} {seen.elapsed_s:.0f} s: {finding.code} "
                    f"{finding.where}: {finding.summary}"
                )
        if seen.nothing and ("nothing",) not in self._told:
            self._told.add(("nothing",))
            for line in nothing_lines(seen.elapsed_s):
                self._display.tell(line)


def _sense(finding: Finding) -> tuple[str, ...]:
    where = finding.where
    return finding.code, where.message or "", where.signal or ""


def nothing_lines(elapsed_s: float) -> list[str]:
    """That nothing is heard, and what to look at, while the test goes on."""
    from busplan.bench.wiring import POWER_OFF_FIRST, STEPS

    return [
        f"! nothing heard in {elapsed_s:.0f} s. {POWER_OFF_FIRST}",
        *(f"  {n}. {s.measure}: {s.expect}" for n, s in enumerate(STEPS, 1)),
        "  busplan bench --wiring says what other readings mean",
    ]


class BenchDisplay(Display):
    """The counts of a recording with the messages of the node under them."""

    def __init__(self) -> None:
        super().__init__()
        self._seen: EarlyLook | None = None
        self._node = ""
        self._status: RecordingStatus | None = None
        self.now = ""
        """What the tester was told last."""

    def bell(self) -> None:
        """Ring, where there is a terminal; what rich puts before stderr hides that it is one."""
        if self._live is not None:
            self._live.console.bell()
        elif self._terminal:
            from rich.console import Console

            Console(stderr=True).bell()

    def show(self, node: str, seen: EarlyLook) -> None:
        """The messages as they stand, at once: what is told next needs the room."""
        self._node, self._seen = node, seen
        if self._live is not None and self._status is not None:
            self._live.update(self.table(self._status), refresh=True)

    def table(self, status: RecordingStatus) -> Table:
        """What is on the screen; the counts alone before the first look."""
        self._status = status
        if self._seen is None:
            return super().table(status)
        from rich.console import Console

        room = Console(stderr=True).height - AROUND
        most = WAITING_ROWS if self._seen.nothing else max(LEAST_ROWS, room)
        return early_table(self._node, self._seen, status, most, self.now)


def early_table(
    node: str, seen: EarlyLook, status: RecordingStatus, most: int, now: str = ""
) -> Table:
    """Messages with their verdict so far, time left, counts of the recording.

    Of more than ``most`` messages those that are wrong stay, and what is left out is counted.
    ``now`` is what the tester was told last.
    """
    from rich.table import Table
    from rich.text import Text

    left = f"{seen.left_s:.0f} s left" if seen.left_s else "ending"
    errors = sum(c.errors for c in status.channels)
    written = f"{counted(status.written, 'frame')} written, {counted(errors, 'error')}"
    counts = status.trouble or f"{written}; Ctrl-C ends the test"
    told = (now, counts) if now else (counts,)
    table = Table(
        title=Text(disarmed(f"{node}: {seen.elapsed_s:.0f} s, {left}")),
        caption=Text("\n".join(map(disarmed, told))),
    )
    for name in ("message", "identifier", "frames", "median ms", "so far"):
        right = name in ("frames", "median ms")
        table.add_column(name, justify="right" if right else "left")
    rows = seen.rows if len(seen.rows) <= most else sorted(seen.rows, key=lambda r: not r.wrong)
    for row in rows[:most]:
        table.add_row(
            Text(disarmed(row.name)),
            Text(row.label),
            f"{row.frames:,}",
            "-" if row.median_ms is None else plain(row.median_ms),
            Text(("! " if row.wrong else "") + row.state),
        )
    if len(rows) > most:
        table.add_row(Text(f"and {len(rows) - most} more"), "", "", "", "")
    return table
