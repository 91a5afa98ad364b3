"""Made traces as a capture with its plan: what a person would hand to ``busplan pack``.

Every quantity has a message of its own, four cells share one. Frames, definitions and plan are
written by hand here, without the project's writers.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np

from busplan.pack.series import Trace
from support.plans import dbc, message, signal, write_plan

START_S = 1_700_000_000
UNITS = {
    "current": "A",
    "charger_current": "A",
    "charger_current_request": "A",
    "insulation": "Ohm",
    "state_of_charge": "%",
    "inlet_temperature": "degC",
    "outlet_temperature": "degC",
}
"""All other quantities without a table of words are in volts."""
STEP_V = 0.001
OFFSET = 5000.0
PLAN = """\
[vehicle]
name = "Made pack"
invented = true
[network.pack]
bit_rate = 500_000
channels = ["can0"]
[part.master]
definitions = "master.dbc"
sender = "MASTER"
identifiers = "free"
[node.master]
part = "master"
on = ["pack"]
[pack]
chemistry = "NMC"
network = "pack"
{more}
[pack.limits]
cell_low_v = 3.0
cell_high_v = 4.2
[[pack.enclosure]]
name = "A"
node = "master"
modules = [{modules}]
cells_per_module = 4
sensors_per_module = {sensors}
cells = "V{{n}}"
{sensor_names}
[pack.quantities]
{quantities}
"""


def written(
    folder: Path,
    quantities: Mapping[str, Trace],
    cells: Sequence[Trace],
    sensors: Sequence[Trace] = (),
    **plan: float,
) -> tuple[Path, Path]:
    """Write capture and plan into ``folder``; ``plan`` holds more keys of ``[pack]``.

    Cells by fours, each four with the times of their first; every module has as many sensors.
    """
    assert cells
    assert len(cells) % 4 == 0
    messages, frames = [], []
    for number, (name, trace) in enumerate(quantities.items()):
        scale = 1.0 if trace.choices else trace.step or 0.001
        unit = "" if trace.choices else UNITS.get(name, "V")
        line = signal(name, 0, 32, scale=scale, unit=unit)
        # Negative values are carried by an offset, as real definitions do.
        offset = 0.0 if trace.choices else -OFFSET
        line = line.replace(f"({scale},0)", f"({scale},{offset:g})")
        messages.append(message(0x100 + number, name.title().replace("_", ""), "MASTER", line))
        raw = np.round((trace.value - offset) / scale).astype(np.int64)
        frames += [
            (t, 0x100 + number, int(r).to_bytes(8, "little"))
            for t, r in zip(trace.time_s.tolist(), raw.tolist(), strict=True)
        ]
    for first in range(0, len(cells), 4):
        number = 0x300 + first // 4
        lines = [signal(f"V{first + k + 1}", 16 * k, 16, scale=STEP_V, unit="V") for k in range(4)]
        messages.append(message(number, f"Cells{first // 4}", "MASTER", *lines))
        raw = np.round(np.stack([c.value for c in cells[first : first + 4]], axis=1) / STEP_V)
        words = raw.astype("<u2")
        frames += [
            (t, number, row.tobytes())
            for t, row in zip(cells[first].time_s.tolist(), words, strict=True)
        ]
    for n, trace in enumerate(sensors):
        line = signal(f"T{n + 1}", 0, 16, scale=0.5, unit="degC").replace("(0.5,0)", "(0.5,-40)")
        messages.append(message(0x600 + n, f"Warm{n}", "MASTER", line))
        raw = np.round((trace.value + 40.0) / 0.5).astype(np.int64)
        frames += [
            (t, 0x600 + n, int(r).to_bytes(8, "little"))
            for t, r in zip(trace.time_s.tolist(), raw.tolist(), strict=True)
        ]
    tables = [
        f"VAL_ {0x100 + n} {name} "
        + " ".join(f'{k} "{word}"' for k, word in trace.choices.items())
        + " ;"
        for n, (name, trace) in enumerate(quantities.items())
        if trace.choices
    ]
    modules = len(cells) // 4
    assert len(sensors) % modules == 0
    text = PLAN.format(
        more="\n".join(f"{key} = {value}" for key, value in plan.items()),
        modules=", ".join(f'"M{m + 1}"' for m in range(modules)),
        sensors=len(sensors) // modules,
        sensor_names='sensors = "T{n}"' if sensors else "",
        quantities="\n".join(
            f'{q} = "pack/*/{q.title().replace("_", "")}/{q}"' for q in quantities
        ),
    )
    definitions = dbc(["MASTER"], *messages) + "\n".join(tables) + "\n"
    path = write_plan(folder, text, master=definitions)
    frames.sort(key=lambda f: f[0])
    capture = folder / "made.log"
    lines = []
    for time, number, payload in frames:
        second, micro = divmod(START_S * 1_000_000 + round(time * 1e6), 1_000_000)
        lines.append(f"({second}.{micro:06d}) can0 {number:03X}#{payload.hex().upper()}")
    capture.write_text("\n".join(lines) + "\n", "utf-8")
    return capture, path
