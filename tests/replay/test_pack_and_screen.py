"""Made vehicles judged by ``busplan pack`` and shown by the replay: both must say the same."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from support.command import busplan
from support.plans import dbc, message, signal, write_plan

from busplan.board.quantities import Quantities
from busplan.findings import Figure, Weight, Where
from busplan.frames.table import FrameTable
from busplan.pack.pull import pull_series
from busplan.pack.report import PackReport
from busplan.pack.silence import DropOut, drop_out_findings
from busplan.pack.windows import Mode
from busplan.plan.reader import load_plan
from busplan.replay.pack_state import PackState
from busplan.replay.replay import Replay
from busplan.replay.span import measure_span
from busplan.replay.trend import cell_grid
from busplan.replay.verdict import joined, judge_pack
from busplan.replay.watch import watch

S = 1_000_000_000
PLAN = """\
[vehicle]
name = "Bench pack (invented)"
[network.pack]
bit_rate = 500_000
[part.monitor]
definitions = "monitor.dbc"
sender = "MONITOR"
[node.monitor]
part = "monitor"
on = ["pack"]
[pack]
chemistry = "NMC"
network = "pack"
current_sign = 1
[pack.limits]
cell_low_v = 3.0
cell_high_v = 4.2
[[pack.enclosure]]
name = "A"
node = "monitor"
modules = ["A1"]
cells_per_module = 2
sensors_per_module = 2
cells = "U{n}"
sensors = "T{n}"
[pack.quantities]
current = "pack/*/Current/I"
"""


class Bench:
    """Two cells, two sensors and a current; values as raw numbers over time [s]."""

    def __init__(
        self,
        folder: Path,
        *,
        volts: str = "mV",
        heat: str = "°C",
        amps: str = "A",
        table: str = "",
        cycle_ms: int = 100,
        cell_scale: float = 1,
    ) -> None:
        definitions = dbc(
            ["MONITOR", "LOGGER"],
            message(
                0x310,
                "Cells",
                "MONITOR",
                signal("U1", 0, 16, scale=cell_scale, unit=volts),
                signal("U2", 16, 16, scale=cell_scale, unit=volts),
            ),
            message(
                0x311,
                "Temperatures",
                "MONITOR",
                signal("T1", 0, 16, unit=heat),
                signal("T2", 16, 16, unit=heat),
            ),
            message(0x312, "Current", "MONITOR", signal("I", 0, 16, unit=amps)),
            cycles={0x310: cycle_ms, 0x311: cycle_ms, 0x312: cycle_ms},
        )
        self.folder = folder
        self.path = write_plan(folder, PLAN, monitor=definitions + table)
        self.vehicle = load_plan(self.path)

    def send(
        self,
        seconds: float,
        *,
        cells: Callable[[float], tuple[int, int]] = lambda t: (3701, 3702),
        heat: Callable[[float], tuple[int, int]] = lambda t: (20, 20),
        amps: Callable[[float], int] = lambda t: 0,
        every_s: float = 0.1,
        quiet: tuple[float, float] = (-1.0, -1.0),
    ) -> None:
        """Record all messages at their cycle, none of them between the ``quiet`` seconds."""
        rows: list[tuple[int, int, bytes]] = []
        for n in range(round(seconds / every_s)):
            t = n * every_s
            if quiet[0] < t < quiet[1]:
                continue
            for i, (identifier, values) in enumerate(
                ((0x310, cells(t)), (0x311, heat(t)), (0x312, (amps(t),)))
            ):
                payload = b"".join(v.to_bytes(2, "little") for v in values).ljust(8, b"\0")
                rows.append((round(t * 1e9) + i * 200_000, identifier, payload))
        self.rows = rows
        self.table = FrameTable.from_columns(
            ["pack"],
            np.array([r[0] for r in rows]) + 1_700_000_000 * S,
            np.zeros(len(rows)),
            np.array([r[1] for r in rows]),
            np.zeros(len(rows)),
            np.full(len(rows), 8),
            np.frombuffer(b"".join(r[2] for r in rows), np.uint8),
        )
        self.replay = Replay.of(self.vehicle, self.table)

    def screen(self, seconds: float) -> PackState:
        """The pack on a screen."""
        pack = self.replay.snapshot(round(seconds * 1e9)).pack
        assert pack is not None
        return pack

    def words(self, seconds: float) -> set[str]:
        """The words of all that is wrong at a moment."""
        return {t.word for t in self.replay.snapshot(round(seconds * 1e9)).troubles}

    def judged(self) -> PackReport:
        """The evaluation."""
        report = judge_pack(self.replay)
        assert report is not None
        return report

    def codes(self) -> set[str]:
        """Codes of the evaluation's findings above a note."""
        return {f.code for f in self.judged().findings if f.weight > Weight.NOTE}

    def log(self) -> Path:
        """The recording as a text log."""
        path = self.folder / "made.log"
        lines = [
            f"({1_700_000_000 + ns / 1e9:.6f}) pack {identifier:03X}#{payload.hex().upper()}\n"
            for ns, identifier, payload in self.rows
        ]
        path.write_text("".join(lines), "ascii")
        return path


def test_fahrenheit_is_shown_in_celsius(tmp_path: Path) -> None:
    """77 °F are 25 °C (NIST SP 811, B.8: (77 − 32) / 1.8)."""
    bench = Bench(tmp_path, heat="degF")
    bench.send(5, heat=lambda t: (77, 95))
    assert bench.screen(4).sensors.value.tolist() == pytest.approx([25.0, 35.0])
    series = pull_series(bench.table, bench.vehicle)
    assert [t.value[0] for t in series.sensors] == pytest.approx([25.0, 35.0])


@pytest.mark.parametrize("unit", ["mV", ""])
def test_cells_in_millivolts_are_volts_everywhere(tmp_path: Path, unit: str) -> None:
    bench = Bench(tmp_path, volts=unit)
    bench.send(5)
    assert bench.screen(4).cells.value.tolist() == pytest.approx([3.701, 3.702])
    assert "CELL TOO HIGH" not in bench.words(4)
    series = pull_series(bench.table, bench.vehicle)
    assert [t.value[-1] for t in series.cells] == pytest.approx([3.701, 3.702])
    assert [t.step for t in series.cells] == pytest.approx([0.001, 0.001])
    told = [f for f in series.findings if f.code == "pack-unit-assumed"]
    assert len(told) == (0 if unit else 2)
    assert all("read as mV" in f.summary for f in told)
    held = cell_grid(bench.replay, np.array([4 * S])).values[:, 0]
    assert held.tolist() == pytest.approx([3.701, 3.702])
    span = measure_span(bench.replay, 0, 5 * S).cells
    assert [(s.unit, s.maximum) for s in span] == [
        ("V", pytest.approx(3.701)),
        ("V", pytest.approx(3.702)),
    ]


def test_a_code_is_no_cell_voltage(tmp_path: Path) -> None:
    bench = Bench(
        tmp_path, volts="V", cell_scale=0.001, table='VAL_ 784 U1 65535 "not available" 0 "0 V" ;\n'
    )
    bench.send(10, cells=lambda t: (65535 if 4 <= t < 6 else 3701, 0xFFFF if t > 8 else 3702))
    state = bench.screen(5)
    assert np.isnan(state.cells.value[0])
    assert "CELL TOO HIGH" not in bench.words(5)
    assert "VALUES MISSING" in bench.words(5)
    assert bench.screen(7).cells.value[0] == pytest.approx(3.701)
    # What nobody names is what the monitor has measured.
    assert bench.screen(9).cells.value[1] == pytest.approx(65.535)
    found = [f for f in bench.judged().findings if f.code == "pack-value-not-available"]
    assert [(f.where.signal, f.weight) for f in found] == [("U1", Weight.CAUTION)]
    assert "monitor-silent" not in bench.codes()  # it went on sending
    assert measure_span(bench.replay, 0, 10 * S).cells[0].maximum == pytest.approx(3.701)


def test_a_cell_that_tells_only_codes_is_a_fault_not_silence(tmp_path: Path) -> None:
    bench = Bench(tmp_path, table='VAL_ 784 U1 65535 "SNA" ;\n')
    bench.send(10, cells=lambda t: (65535, 3702))
    found = [f for f in bench.judged().findings if f.code == "pack-value-not-available"]
    assert [f.weight for f in found] == [Weight.FAULT]
    assert not bench.codes() & {"pack-cell-not-received", "monitor-silent"}


@pytest.mark.parametrize(("unit", "amps"), [("A", 100), ("mA", 20_000)])
def test_a_current_that_is_a_code_leaves_the_mode_open(
    tmp_path: Path, unit: str, amps: int
) -> None:
    bench = Bench(tmp_path, amps=unit, table='VAL_ 786 I 65535 "sensor error" ;\n')
    bench.send(10, amps=lambda t: 65535 if t > 5 else amps)
    assert bench.screen(3).mode is Mode.DISCHARGING
    broken = bench.screen(8)
    assert broken.mode is Mode.UNKNOWN
    assert broken.quantities["current"].text == "sensor error"
    assert bench.vehicle.pack is not None
    current = Quantities(bench.replay).track(str(bench.vehicle.pack.quantities["current"]))
    assert current is not None
    assert not current.at(8 * S).fresh
    assert current.at(3 * S).value == 100 if unit == "A" else 20


def test_milliamperes_are_not_amperes(tmp_path: Path) -> None:
    bench = Bench(tmp_path, amps="mA")
    bench.send(5, amps=lambda t: 1500)
    state = bench.screen(4)
    assert state.mode is Mode.RESTING
    assert (state.quantities["current"].unit, state.quantities["current"].text) == ("A", "1.500 A")


def test_too_hot_at_rest_is_a_fault_and_the_screen_agrees(tmp_path: Path) -> None:
    """The highest of all windows of the chemistry is 60 °C (see ``PackLimits``)."""
    bench = Bench(tmp_path)
    bench.send(400, heat=lambda t: (20 + round(t / 400 * 74), 20 + round(t / 400 * 73)))
    (fault,) = [f for f in bench.judged().findings if f.code == "temperature-high"]
    assert fault.weight is Weight.FAULT
    assert "60 °C at rest" in fault.summary
    shot = bench.replay.snapshot(399 * S)
    (hot,) = [t for t in shot.troubles if t.word == "TOO HOT"]
    assert "60 °C at rest" in hot.text
    told = busplan("pack", bench.log(), "--plan", bench.path, "--json", "--no-cache")
    assert told.code == 2, told.err
    assert "temperature-high" in {f["code"] for f in json.loads(told.out)["findings"]}
    words = busplan("pack", bench.log(), "--plan", bench.path, "--no-cache").out
    assert "All right" not in words


@pytest.mark.parametrize(
    ("amps", "mode", "celsius", "hot"),
    [
        # NMC of ``PackLimits``: charging up to 45 °C, discharging up to 60 °C.
        (0, Mode.RESTING, 59, False),
        (0, Mode.RESTING, 63, True),
        (2, Mode.RESTING, 63, True),
        (3, Mode.DISCHARGING, 59, False),
        (3, Mode.DISCHARGING, 63, True),
        (-2, Mode.RESTING, 50, False),
        (-3, Mode.CHARGING, 50, True),
        (-3, Mode.CHARGING, 44, False),
    ],
)
def test_the_window_follows_the_mode_on_the_screen_as_in_the_evaluation(
    tmp_path: Path, amps: int, mode: Mode, celsius: int, hot: bool
) -> None:
    bench = Bench(tmp_path)
    text = (tmp_path / "monitor.dbc").read_text("utf-8")
    (tmp_path / "monitor.dbc").write_text(text.replace("I : 0|16@1+", "I : 0|16@1-"), "utf-8")
    bench.vehicle = load_plan(bench.path)
    bench.send(60, heat=lambda t: (celsius, celsius), amps=lambda t: amps % 65536)
    assert bench.screen(50).mode is mode
    assert ("TOO HOT" in bench.words(50)) is hot
    assert ("temperature-high" in bench.codes()) is hot


def test_a_current_that_comes_and_goes_does_not_split_a_stay(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.send(60, heat=lambda t: (70, 70), amps=lambda t: 10 * (round(t * 10) // 5 % 2))
    (fault,) = [f for f in bench.judged().findings if f.code == "temperature-high"]
    assert fault.weight is Weight.FAULT
    assert {f.name: f.value for f in fault.figures}["longest"] > 55


def test_a_message_counts_as_silent_from_the_same_age_on_everywhere(tmp_path: Path) -> None:
    """More than two and a half cycles: one lost frame is none, the second in a row is."""
    bench = Bench(tmp_path)
    bench.send(20, quiet=(9.95, 10.05))
    assert not bench.codes() & {"monitor-silent"}
    assert bench.screen(10.09).cells.fresh.all()
    bench.send(20, quiet=(9.95, 10.15))
    assert bench.screen(10.14).cells.fresh.all()
    assert not bench.screen(10.16).cells.fresh.any()
    assert "NODE SILENT" in bench.words(10.17)
    (silent,) = [f for f in bench.judged().findings if f.code == "monitor-silent"]
    (stopped,) = [f for f in watch(bench.replay.lines, 20 * S) if f.code == "node-stopped"]
    assert silent.figures[0].value == pytest.approx(stopped.figures[0].value, abs=1e-3)
    both = bench.replay.with_findings([stopped])
    told = {f.code for f in joined(both, bench.judged()).findings}
    assert "monitor-silent" in told
    assert "node-stopped" not in told


def test_two_silences_of_a_node_that_do_not_overlap_are_two(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.send(20, quiet=(9.95, 12.0))
    (stopped,) = [f for f in watch(bench.replay.lines, 20 * S) if f.code == "node-stopped"]
    bench.send(20, quiet=(12.95, 14.5))
    both = bench.replay.with_findings([stopped])
    told = {f.code for f in joined(both, bench.judged()).findings}
    assert {"monitor-silent", "node-stopped"} <= told


def test_of_many_silences_alike_those_of_a_node_are_told_once(tmp_path: Path) -> None:
    """Which of them is the longest by a hair, the capture and the evaluation need not agree on."""
    bench = Bench(tmp_path)
    bench.send(20, quiet=(9.95, 12.0))
    (stopped,) = [f for f in watch(bench.replay.lines, 20 * S) if f.code == "node-stopped"]
    often = tuple(Figure(f.name, 3) if f.name == "silences" else f for f in stopped.figures)
    both = bench.replay.with_findings([replace(stopped, figures=often)])
    alike = [DropOut("pack", "monitor", ("Cells",), True, t, t + 2.0) for t in (3.0, 9.9, 15.0)]
    alike[2] = replace(alike[2], stop_s=17.1)
    known = replace(bench.judged(), findings=tuple(drop_out_findings(alike)))
    (told,) = [f for f in joined(both, known).findings if "sent nothing" in f.summary]
    assert "3 drop-outs in all" in told.summary


def test_a_silence_of_the_whole_network_is_not_told_of_each_monitor_too(tmp_path: Path) -> None:
    bench = Bench(tmp_path)
    bench.send(20, quiet=(9.95, 12.0))
    (silent,) = [f for f in bench.judged().findings if f.code == "monitor-silent"]
    length = Figure("silence", 2.0, "s")
    whole = replace(
        silent, code="network-silent", where=Where("pack", time_ns=10 * S), why="Slept."
    )
    both = bench.replay.with_findings([replace(whole, figures=(length, Figure("silences", 1)))])
    codes = {f.code: f for f in joined(both, bench.judged()).findings}
    assert "monitor-silent" not in codes
    assert codes["network-silent"].why.startswith("Slept. While a monitor is silent")
    twice = tuple(Figure(f.name, 2) if f.name == "drop-outs" else f for f in silent.figures)
    often = replace(bench.judged(), findings=(replace(silent, figures=twice),))
    assert {f.code for f in joined(both, often).findings} == {"network-silent", "monitor-silent"}


def test_a_silence_that_lasts_is_told_once_by_what_is_newer(tmp_path: Path) -> None:
    """On a live bus the evaluation is seconds old, and knows no longer silence than those."""
    bench = Bench(tmp_path)
    bench.send(20, quiet=(17.95, 20.0))
    watched = bench.replay.with_findings(watch(bench.replay.lines, 25 * S))
    known = drop_out_findings([DropOut("pack", "monitor", ("Cells",), True, 17.9, 20.0)])
    older = replace(bench.judged(), findings=tuple(known))
    silent = [f for f in joined(watched, older).findings if "sent nothing" in f.summary]
    assert [f.code for f in silent] == ["node-stopped"]
    assert "for 7.10 s, from 0:18 on" in silent[0].summary
    assert "nobody watches its cells" in silent[0].why


def test_a_wrong_stated_cycle_makes_nobody_silent_but_is_told(tmp_path: Path) -> None:
    bench = Bench(tmp_path, cycle_ms=20)
    bench.send(20)
    assert bench.screen(10.09).cells.fresh.all()
    assert "monitor-silent" not in bench.codes()
    found = {f.code for f in watch(bench.replay.lines, 20 * S)}
    assert "cycle-measured-slow" in found
    assert "message-paused" not in found
    assert "node-stopped" not in found
