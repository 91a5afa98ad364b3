"""How definition and plan settle what a mapped signal tells."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from busplan.bench.node_report import BenchLimits
from busplan.definitions.model import Message, Origin, Signal, Stated
from busplan.pack.codes import no_measurement, says_none
from busplan.pack.reading import PackReadings, SignalReading
from busplan.plan.vehicle import CellPlace, PackLayout, PackLimits, SignalAddress, Stream, Vehicle
from busplan.traffic.silence import SILENT_CYCLES, allowed_of


def read(signal: Signal, *, quantity: str = "", cells: int = 1) -> SignalReading:
    """The reading of a signal mapped as a cell, or as a quantity of a pack of some cells."""
    stream = Stream("pack", "bms", Message("M", 0x300, False, 8, (signal,)), None, None)
    address = stream.address(signal.name)
    nowhere = SignalAddress("pack", "bms", "M", "Other")
    places = tuple(CellPlace(n + 1, "A1", nowhere if quantity else address) for n in range(cells))
    mapped = {quantity: address} if quantity else {}
    layout = PackLayout("NMC", PackLimits(3.0, 4.2), {"A": ("A1",)}, places, (), mapped)
    vehicle = Vehicle("Heron", "", {}, {}, {}, (stream,), pack=layout)
    readings = PackReadings.of(vehicle, layout)
    found = readings.quantities[quantity] if quantity else readings.cells[0]
    assert found is not None
    return found


@pytest.mark.parametrize(
    ("signal", "factor"),
    [
        # Widths and steps as monitors use them: common practice, no source.
        (Signal("U", 0, 16), 1e-3),
        (Signal("U", 0, 16, scale=0.1), 1e-3),
        (Signal("U", 0, 12, offset=1500), 1e-3),
        (Signal("U", 0, 8, scale=20), 1e-3),
        (Signal("U", 0, 16, scale=0.001), 1.0),
        (Signal("U", 0, 16, scale=0.0001), 1.0),
        (Signal("U", 0, 8, scale=0.02), 1.0),
        (Signal("U", 0, 32, scale=0.001), 1.0),
        (Signal("U", 0, 16, scale=0.01, minimum=0, maximum=5000), 1e-3),
        (Signal("U", 0, 32, is_float=True, minimum=0, maximum=5000), 1e-3),
        (Signal("U", 0, 32, is_float=True, minimum=0, maximum=5), 1.0),
        (Signal("U", 0, 16, unit="mV", scale=0.001), 1e-3),
        (Signal("U", 0, 16, unit="V", scale=1), 1.0),
    ],
)
def test_a_cell_without_a_unit_is_settled_by_its_definition(signal: Signal, factor: float) -> None:
    reading = read(signal)
    assert reading.factor == factor
    assert not reading.open
    assert (reading.assumed is None) is bool(signal.unit)


def test_where_the_definition_leaves_it_open_the_first_values_decide() -> None:
    reading = read(Signal("U", 0, 32, is_float=True))
    assert reading.open
    assert reading.settled(np.array([3700.0, 3701.0])).factor == 1e-3
    assert reading.settled(np.array([3.7, 3.701])).factor == 1.0
    told = reading.settled(np.array([3700.0])).assumed
    assert told == ("mV", "its first values")


@pytest.mark.parametrize(
    ("signal", "factor"),
    [
        (Signal("U", 0, 16), 1.0),
        (Signal("U", 0, 16, scale=0.1, minimum=0, maximum=450), 1.0),
        (Signal("U", 0, 32, minimum=0, maximum=450_000), 1e-3),
    ],
)
def test_a_whole_pack_without_a_unit_is_not_taken_for_a_cell(signal: Signal, factor: float) -> None:
    """96 cells of 4.2 V: 403 V."""
    assert read(signal, quantity="voltage", cells=96).factor == factor


@pytest.mark.parametrize(
    ("name", "none"),
    [
        ("not available", True),
        ("NotAvailable", True),
        ("Signal_Not_Available", True),
        ("SNA", True),
        ("n/a", True),
        ("Error", True),
        ("Sensor_Error_2", True),
        ("invalid", True),
        ("undefined", True),
        ("Init", True),
        ("short to ground", True),
        ("open circuit", True),
        ("Fehler", True),
        ("0 V", False),
        ("full", False),
        ("No error", False),
        ("Max", False),
        ("4.2 V", False),
        ("closed", False),
        ("available", False),
        ("valid", False),
    ],
)
def test_only_names_that_say_so_are_codes(name: str, none: bool) -> None:
    assert says_none(name) is none


def test_a_name_outside_the_stated_range_is_a_code_whatever_it_says() -> None:
    signal = Signal("T", 0, 8, offset=-40, minimum=-40, maximum=125, choices={0: "low", 254: "x"})
    assert no_measurement(signal) == {214: "x"}
    assert no_measurement(replace(signal, minimum=0, maximum=0)) == {}
    wide = Signal("T", 0, 64, choices={2**64 - 1: "SNA", -1: "SNA"})
    assert no_measurement(wide) == {2**64 - 1: "SNA"}


def test_ends_and_step_follow_unit_and_sign() -> None:
    fahrenheit = Signal("T", 0, 8, unit="°F")
    reading = read(fahrenheit, quantity="inlet_temperature")
    # 0 °F and 255 °F: (x − 32) / 1.8, NIST SP 811, B.8.
    assert (reading.lowest, reading.highest) == pytest.approx((-17.7778, 123.8889), abs=1e-4)
    assert reading.step == pytest.approx(1 / 1.8)


def test_the_allowed_age_by_stated_cycle_and_by_rhythm() -> None:
    stated = Stated(100_000_000, Origin.DEFINITION)
    assert allowed_of(stated, np.arange(100) * 100_000_000) == 250_000_000
    # Twice as slow as stated throughout; with few frames the stated cycle holds.
    assert allowed_of(stated, np.arange(100) * 200_000_000) == 500_000_000
    assert allowed_of(stated, np.arange(10) * 200_000_000) == 250_000_000
    assert allowed_of(None, np.arange(100) * 100_000_000) == 1_000_000_000
    assert allowed_of(None, np.arange(100) * 2_000_000_000) == 5_000_000_000
    assert allowed_of(None, np.arange(1)) == float("inf")
    assert BenchLimits().gap_cycles == SILENT_CYCLES


def test_the_command_line_of_the_bench_has_the_same_limit() -> None:
    import inspect

    import typer

    from busplan.cli import bench_command

    app = typer.Typer()
    bench_command.register(app)
    found = {
        p.name: p.default
        for command in app.registered_commands
        if command.callback is not None
        for p in inspect.signature(command.callback).parameters.values()
    }
    assert found.get("gap_cycles") == SILENT_CYCLES
