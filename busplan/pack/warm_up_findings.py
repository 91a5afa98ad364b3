"""Findings of the warm-up test: modules that stay behind, sensors that are off, weak tests."""

from __future__ import annotations

from busplan.findings import Figure, Finding, Weight, Where
from busplan.pack.labels import clock, module_place, place, sensor_label, sentence, time_ns
from busplan.pack.thermal_groups import LateBox
from busplan.pack.warm_up_result import (
    ModuleVerdict,
    ModuleWarmUp,
    SensorOffset,
    WarmUp,
    WarmUpState,
)
from busplan.pack.warm_up_text import change_text, exchange_text
from busplan.plan.vehicle import PackLayout
from busplan.wording import percent

_WHY_FLOW = "Without its share of liquid it overheats under load and limits the whole pack."
_BLEED = "Bleed the loop; look for an air pocket, a kink or a blocked branch at this module."
_HOLD = "Have licensed people hold one of its sensors against a thermometer first."
_CHECK_SENSOR = (
    "Check the sensor, its plug and its seat with the pack made safe by licensed people."
)


def warm_up_findings(warm_up: WarmUp, layout: PackLayout) -> list[Finding]:
    """Everything the test has against modules, boxes and sensors; a note when it is too weak."""
    findings = []
    for module in warm_up.modules:
        if module.verdict in (ModuleVerdict.SLOW, ModuleVerdict.NO_FLOW, ModuleVerdict.STILL):
            findings.append(_behind(warm_up, module, layout))
        elif module.verdict is ModuleVerdict.CHANGED:
            findings.append(_changed(module, layout))
        elif module.verdict is ModuleVerdict.DISAGREE:
            findings.append(_disagree(module, layout, warm_up.stop_s))
        findings += [_offset(module, o, layout) for o in module.offsets]
    findings += [_late(box, layout, warm_up) for box in warm_up.late if box.slow]
    note = _weak(warm_up)
    return findings if note is None else [*findings, note]


def _weak(warm_up: WarmUp) -> Finding | None:
    """A note when no module at all could be judged, or modules are not alike."""
    state = warm_up.state
    if state is WarmUpState.FEW:
        return _note("test-too-few-modules", warm_up)
    nobody = all(m.verdict is ModuleVerdict.OPEN for m in warm_up.modules)
    if state is WarmUpState.NOTHING:
        return _note("test-too-even", warm_up)
    if state is WarmUpState.TOO_SHORT or (nobody and warm_up.more_minutes is not None):
        return _note("test-too-short", warm_up)
    if warm_up.odd:
        return _note("test-peers-too-uneven", warm_up)
    return _note("test-too-even", warm_up) if nobody else None


def _note(code: str, warm_up: WarmUp) -> Finding:
    figures = [Figure("peers moved", abs(warm_up.peer_rise_k), "K")]
    if warm_up.more_minutes:
        figures.append(Figure("more time", warm_up.more_minutes, "min"))
    missing = f" {sentence(warm_up.missing)}." if warm_up.missing else ""
    return Finding(
        code,
        Weight.NOTE,
        Where(time_ns=time_ns(warm_up.start_s)),
        f"{sentence(warm_up.told)}.{missing}",
        "A module that gets little liquid could hide in this test.",
        "Repeat the test as said; start it cold, with the pump at its usual speed.",
        tuple(figures),
    )


def _behind(warm_up: WarmUp, module: ModuleWarmUp, layout: PackLayout) -> Finding:
    none = module.verdict is not ModuleVerdict.SLOW
    still = module.verdict is ModuleVerdict.STILL
    frozen = none and not still and not module.moved
    doubt = " Its only sensor may be stuck instead: this test cannot part them." if still else ""
    if frozen:
        doubt = (
            " Not one of its readings moved: its monitor may repeat an old value instead, and this "
            "test cannot part them."
        )
    where = exchange_text(module.exchange, module.interval)
    if none:
        lag = f"{module.lag_k:.1f} K behind its peers at {clock(warm_up.stop_s)}"
    else:
        lag = (
            f"{module.lag_s:.0f} s ({module.lag_interval.low:.0f} … "
            f"{module.lag_interval.high:.0f} s) later than its peers"
        )
    moves = "stands still" if still else "hardly moves" if none else "lags"
    most = "" if none else ", flow at most that"
    figures = [
        Figure("lag", module.lag_k, "K"),
        Figure("lag in time", module.lag_s, "s"),
        Figure("exchange", module.exchange),
        Figure("exchange, at least", module.interval.low),
        Figure("exchange, at most", module.interval.high),
        Figure("rate", module.rate_k_min, "K/min"),
    ]
    return Finding(
        "module-no-flow" if none else "module-slow",
        Weight.FAULT if none else Weight.CAUTION,
        module_place(layout, module.module, warm_up.stop_s),
        f"Module {module.module} {moves} in the {warm_up.way}: {lag}; "
        f"exchange {where} of theirs{most}.{doubt}",
        _WHY_FLOW,
        f"{_HOLD} {_BLEED}" if frozen else _BLEED,
        tuple(f for f in figures if f.value == f.value),
    )


def _changed(module: ModuleWarmUp, layout: PackLayout) -> Finding:
    change = module.change
    assert change is not None
    return Finding(
        "module-flow-changed",
        Weight.CAUTION,
        module_place(layout, module.module, change.time_s),
        f"Module {module.module} {change_text(module)}.",
        "What comes and goes in a branch, as air does, will do so again.",
        "Bleed the loop and run the test once more." if change.clears else _BLEED,
        (
            Figure("change at", change.time_s, "s"),
            Figure("exchange before", change.before),
            Figure("exchange after", change.after),
        ),
    )


def _disagree(module: ModuleWarmUp, layout: PackLayout, time_s: float) -> Finding:
    sensor = next(
        s
        for s in layout.sensors
        if s.module == module.module and s.position == (module.disagree or s.position)
    )
    return Finding(
        "module-sensors-disagree",
        Weight.CAUTION,
        place(sensor.address, time_s),
        f"{sentence(sensor_label(sensor))} comes later than the other sensor of its module by more "
        f"than both are sure of.",
        "One of the two does not tell what its module does, so the module is not judged.",
        _CHECK_SENSOR,
        (Figure("sensors", module.sensors),),
    )


def _offset(module: ModuleWarmUp, offset: SensorOffset, layout: PackLayout) -> Finding:
    sensor = next(
        s for s in layout.sensors if s.module == module.module and s.position == offset.position
    )
    side = "low" if offset.offset_k < 0 else "high"
    low, high = sorted((abs(offset.interval.low), abs(offset.interval.high)))
    return Finding(
        "sensor-offset",
        Weight.CAUTION,
        place(sensor.address),
        f"{sentence(sensor_label(sensor))} reads {abs(offset.offset_k):.1f} K {side} all along "
        f"({low:.1f} … {high:.1f} K).",
        "What is measured wrongly is protected wrongly; the warm-up is judged without the offset.",
        _CHECK_SENSOR,
        (Figure("offset", offset.offset_k, "K"),),
    )


def _late(box: LateBox, layout: PackLayout, warm_up: WarmUp) -> Finding:
    first = layout.enclosures[box.name][0]
    return Finding(
        "box-late",
        Weight.CAUTION,
        module_place(layout, first, warm_up.stop_s),
        f"All of box {box.name} comes later than the other boxes, by {box.lag_s:.0f} s; heat "
        f"exchange {percent(box.exchange, 0)} of theirs.",
        "Less flow to the whole box and a longer pipe look the same in this test.",
        "Compare the pipes; look for a kink or a half-shut valve on the way to this box.",
        (Figure("exchange", box.exchange), Figure("lag in time", box.lag_s, "s")),
    )
