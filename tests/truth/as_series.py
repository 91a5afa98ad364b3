"""The truths as what the judge takes: ``PackSeries`` and ``PackLayout``.

Every function returns ``(series, layout)``. Names are M1, M2 …; boxes BOX1 …. ``quantities`` are
full by default: closed contactors, link at pack voltage, insulation, state of charge by counting;
``without`` leaves some out, ``only`` keeps some.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from busplan.pack.series import PackSeries, Trace
from busplan.plan.vehicle import CellPlace, PackLayout, PackLimits, SensorPlace, SignalAddress
from truth.cell_packs import CellPack
from truth.channel_cases import ChannelTest
from truth.loop_sensors import WarmUp

Array = np.ndarray[Any, np.dtype[Any]]

CONTACTOR_CHOICES = {0: "Open", 1: "Pre-charge", 2: "Closed", 3: "Opening", 4: "Fault"}


def layout_of(
    boxes: Sequence[int],
    *,
    sensors: int = 0,
    cells: int = 0,
    quantities: Sequence[str] = (),
    step_k: float | None = 0.5,
    chemistry: str = "NMC",
    limits: PackLimits | None = None,
    **more: Any,
) -> PackLayout:
    """A layout: ``boxes`` gives each module's box; ``sensors`` and ``cells`` per module.

    ``more`` goes to ``PackLayout`` as it is (for keys of the plan that the judge may ask for).
    """
    names = [f"M{i + 1}" for i in range(len(boxes))]
    enclosures: dict[str, tuple[str, ...]] = {}
    for name, box in zip(names, boxes, strict=True):
        enclosures[f"BOX{box + 1}"] = (*enclosures.get(f"BOX{box + 1}", ()), name)
    # String order follows the boxes, so modules of one box must stand together.
    assert [m for group in enclosures.values() for m in group] == names
    return PackLayout(
        chemistry=chemistry,
        limits=limits or PackLimits(3.0, 4.2),
        enclosures=enclosures,
        cells=tuple(
            CellPlace(
                k + 1, names[k // cells], SignalAddress("pack", "mon", f"C{k // 4}", f"V{k + 1}")
            )
            for k in range(cells * len(names))
        ),
        sensors=tuple(
            SensorPlace(name, p + 1, SignalAddress("pack", "mon", f"T{m}", f"T{m + 1}_{p + 1}"))
            for m, name in enumerate(names)
            for p in range(sensors)
        ),
        quantities={q: SignalAddress("pack", "master", "Pack", q) for q in quantities},
        temperature_resolution_k=step_k,
        **more,
    )


def warm_up_series(test: WarmUp, **more: Any) -> tuple[PackSeries, PackLayout]:
    """A warm-up: sensors, ``inlet_temperature`` when known, ``current`` when cells are loaded."""
    sensors = [
        Trace(test.time_s, test.reading[:, m, p], step=test.sensors.step_k)
        for m in range(test.loop.modules)
        for p in range(test.reading.shape[2])
    ]
    quantities = {}
    if test.liquid is not None:
        quantities["inlet_temperature"] = Trace(test.time_s, test.liquid, step=0.1)
    if test.current_a is not None:
        quantities["current"] = Trace(
            test.time_s, np.full(len(test.time_s), round(test.current_a, 1)), step=0.1
        )
    layout = layout_of(
        test.loop.box.tolist(),
        sensors=test.reading.shape[2],
        quantities=tuple(quantities),
        step_k=test.sensors.step_k,
        **more,
    )
    span = float(test.time_s[-1] - test.time_s[0])
    return PackSeries((), tuple(sensors), quantities, span), layout


def channel_series(test: ChannelTest, **more: Any) -> tuple[PackSeries, PackLayout]:
    """A warm-up of channels; every module at its own times."""
    per = test.reading[0].shape[1]
    sensors = [
        Trace(when, reading[:, p], step=test.step_k)
        for when, reading in zip(test.time_s, test.reading, strict=True)
        for p in range(per)
    ]
    quantities = {}
    if test.liquid is not None:
        quantities["inlet_temperature"] = Trace(test.liquid_s, test.liquid, step=0.1)
    layout = layout_of(
        test.plates.box.tolist(),
        sensors=per,
        quantities=tuple(quantities),
        step_k=test.step_k,
        **more,
    )
    return PackSeries((), tuple(sensors), quantities, float(test.run.time_s[-1])), layout


def pack_series(
    pack: CellPack,
    *,
    without: Sequence[str] = (),
    only: Sequence[str] | None = None,
    chemistry: str = "NMC",
    limits: PackLimits | None = None,
    boxes: int = 4,
    **more: Any,
) -> tuple[PackSeries, PackLayout]:
    """A pack of cells with all its quantities."""
    cells = tuple(
        Trace(pack.frame_s[i // pack.per_frame], pack.reading[i], step=pack.step_v, lowest=0.0,
              highest=6.5)
        for i in range(len(pack.reading))
    )  # fmt: skip
    sensors = tuple(
        Trace(pack.temperature_s, pack.temperature[:, m, p], step=0.5)
        for m in range(pack.temperature.shape[1])
        for p in range(pack.temperature.shape[2])
    )
    quantities = _quantities(pack)
    keep = [q for q in quantities if q not in without and (only is None or q in only)]
    modules = pack.temperature.shape[1]
    layout = layout_of(
        [m * min(boxes, modules) // modules for m in range(modules)],
        sensors=pack.temperature.shape[2],
        cells=pack.per_module,
        quantities=keep,
        chemistry=chemistry,
        limits=limits,
        **more,
    )
    return PackSeries(cells, sensors, {q: quantities[q] for q in keep}, pack.span_s), layout


def _quantities(pack: CellPack) -> Mapping[str, Trace]:
    time, volts = pack.pack_s, pack.pack_v
    capacity = 100.0 if pack.capacity_ah is None else float(np.median(pack.capacity_ah))
    out = np.cumsum(pack.current_a) * float(np.median(np.diff(pack.current_s))) / 3600
    slow = np.arange(0.2, pack.span_s, 1.0)
    left = 100 * (pack.charge - np.interp(slow, pack.current_s, out) / capacity)
    return {
        "current": Trace(pack.current_s, pack.current_a, step=0.1, lowest=-3000, highest=3000),
        "voltage": Trace(time, volts, step=0.1),
        "link_voltage": Trace(time, volts, step=0.1),
        "contactor_state": Trace(
            slow, np.full(len(slow), 2.0), step=1.0, lowest=0, highest=7, choices=CONTACTOR_CHOICES
        ),
        "insulation": Trace(
            slow, np.round(2500 + 20 * np.sin(slow / 37)) * 1000.0, step=1000.0, lowest=0,
            highest=65e6,
        ),
        "state_of_charge": Trace(slow, np.round(left * 2) / 2, step=0.5, lowest=0, highest=100),
    }  # fmt: skip
