"""Contactors, pre-charge, charger, insulation and DC-DC in closed form: truths of sense checks.

Each maker gives what arrives on the bus (as traces) and what is true. Messages have their own
period, phase and delay; readings have noise, a step and a gain; some are lost. All sizes invented.

The link through a pre-charge resistor is an RC circuit with a step of voltage (any textbook of
circuits, e.g. Nilsson and Riedel, "Electric Circuits", step response of an RC circuit; from
memory):  v(t) = V (1 - exp(-t/RC)).  With a load R_L on the link the end value is V R_L/(R + R_L)
(voltage divider). Once open it discharges as v(t) = v0 exp(-t/(R_b C)).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any

import numpy as np

from busplan.pack.series import Trace

Array = np.ndarray[Any, np.dtype[Any]]

STATES = {0: "Open", 1: "Pre-charge", 2: "Closed", 3: "Opening", 4: "Fault"}
CONTACTOR = {0: "Open", 1: "Closed", 2: "Welded"}
COMMAND = {0: "Open", 1: "Close"}
LINE_OHM = 0.004
PACK_OHM = 0.08


@dataclass(frozen=True)
class Bus:
    """How a quantity travels: sent every ``period_s``, ``delay_s`` after it was so."""

    period_s: float = 0.1
    delay_s: float = 0.0
    lost: float = 0.0
    noise: float = 0.0
    step: float = 0.0
    gain: float = 1.0
    jitter_s: float = 0.002

    def carry(
        self,
        truth: Callable[[Array], Array],
        span_s: float,
        rng: np.random.Generator,
        choices: Mapping[int, str] | None = None,
    ) -> Trace:
        """What arrives of ``truth(t)`` in a recording of ``span_s``."""
        start = rng.uniform(0, self.period_s)
        time = np.arange(start, span_s, self.period_s)
        time = np.sort(time + rng.uniform(0, self.jitter_s, len(time)))
        time = time[rng.random(len(time)) >= self.lost]
        value = truth(time - self.delay_s) * self.gain + self.noise * rng.standard_normal(len(time))
        if self.step:
            value = np.round(value / self.step) * self.step
        more = {} if choices is None else {"choices": choices}
        return Trace(time, value, step=self.step, **more)


def steps(*corners: tuple[float, float]) -> Callable[[Array], Array]:
    """A function that holds each value from its time on."""
    time = np.array([c[0] for c in corners])
    value = np.array([c[1] for c in corners])
    return lambda t: value[np.clip(np.searchsorted(time, t, side="right") - 1, 0, len(time) - 1)]


@dataclass(frozen=True)
class KeyOn:
    """A key-on: what arrives, and what is true.

    ``share`` of the pack voltage on the link at the moment the second main contactor closes;
    ``tau_s`` of the pre-charge; times [s] of its beginning, of closing and opening.
    """

    traces: Mapping[str, Trace]
    span_s: float
    share: float
    tau_s: float
    pre_s: float
    close_s: float
    open_s: float
    pack_v: float


@dataclass(frozen=True)
class Wiring:
    """The circuit and what goes wrong in it."""

    pack_v: float = 360.0
    tau_s: float = 0.4
    share: float = 0.99
    end_share: float = 1.0
    """Where the pre-charge would end by the load on the link."""
    straight: bool = False
    """No pre-charge at all: the state goes from open to closed."""
    welded: bool = False
    """The link hangs on the pack throughout."""
    dead: bool = False
    """The main contactors are told closed but do not connect."""
    dead_pre: bool = False
    """The pre-charge resistor is broken: the link stays at 0 until the main contactor closes."""
    discharge_s: float = 1.5
    """Time constant of the link once open."""
    load_at_opening_a: float = 0.0
    stays_s: float = 20.0
    before_s: float = 6.0
    after_s: float = 8.0
    dead_time_s: float = 2.0
    """With ``dead_pre``: how long the pre-charge is told."""


SENT: Mapping[str, Bus] = {
    "contactor_state": Bus(),
    "link_voltage": Bus(noise=0.05, step=0.1),
    "voltage": Bus(noise=0.05, step=0.1),
    "current": Bus(noise=0.05, step=0.1),
}
"""All at 10 Hz without a delay."""


def random_bus(seed: int) -> dict[str, Bus]:
    """Each of the four with its own period, delay (up to 0.5 s), loss and gain."""
    rng = np.random.default_rng([seed, 41])

    def one(noise: float, step: float) -> Bus:
        return Bus(
            period_s=float(rng.choice([0.02, 0.05, 0.1, 0.2, 0.5])),
            delay_s=float(rng.uniform(0, 0.5)),
            lost=float(rng.choice([0.0, 0.0, 0.02, 0.1])),
            noise=noise,
            step=step,
            gain=float(1 + 0.004 * rng.standard_normal()) if step else 1.0,
            jitter_s=0.004,
        )

    return {n: one(0.0, 0.0) if n == "contactor_state" else one(0.1, 0.1) for n in SENT}


def key_on(
    seed: int,
    how: Wiring | None = None,
    bus: Mapping[str, Bus] | None = None,
    *,
    singles: bool = False,
) -> KeyOn:
    """One closing and one opening. ``singles`` adds commands and feedback of each contactor."""
    how = how or Wiring()
    rng = np.random.default_rng([seed, 17])
    pre = how.before_s + rng.uniform(0, 0.1)
    if how.straight:
        wait, reached = 0.0, 0.0
    elif how.dead_pre:
        wait, reached = how.dead_time_s, 0.0
    else:
        wait, reached = -how.tau_s * float(np.log1p(-how.share / how.end_share)), how.share
    close = pre + wait
    opens = close + how.stays_s
    span = opens + how.after_s
    reached = 1.0 if how.welded else reached

    def amps(t: Array) -> Array:
        drive = 60 * np.sin((t - close - 2.0) / 1.7) ** 2
        flows = np.where((t > close + 2.0) & (t < opens - 3.0), drive, 0.0)
        ending = (t >= opens - 3.0) & (t < opens)
        return np.where(ending, how.load_at_opening_a, flows)

    def inside(t: Array) -> Array:
        return how.pack_v - PACK_OHM * amps(t)

    def link(t: Array) -> Array:
        on = np.full(len(t), True) if how.welded else (t >= close) & (t < opens) & (not how.dead)
        rising = 0.0 * t if how.dead_pre or how.straight else how.end_share * -np.expm1(
            -np.clip(t - pre, 0, None) / how.tau_s
        )  # fmt: skip
        after = np.exp(-np.clip(t - opens, 0, None) / how.discharge_s)
        last = how.pack_v * (reached if how.dead else 1.0)
        off = np.where(t >= opens, last * after, how.pack_v * np.minimum(rising, 1.0))
        return np.where(on, inside(t) - LINE_OHM * amps(t), off)

    corners = [(-1.0, 0.0), (pre, 1.0), (close, 2.0), (opens, 3.0), (opens + 0.3, 0.0)]
    state = steps(*(c for c in corners if not (how.straight and c[1] == 1.0)))
    sent = SENT if bus is None else bus
    truths = {"contactor_state": state, "link_voltage": link, "voltage": inside, "current": amps}
    traces = {
        n: sent[n].carry(truths[n], span, rng, STATES if n == "contactor_state" else None)
        for n in truths
    }
    if singles:
        traces |= _singles(pre, close, opens, span, how, rng)
    return KeyOn(traces, span, reached, how.tau_s, pre, close, opens, how.pack_v)


def _singles(
    pre: float, close: float, opens: float, span: float, how: Wiring, rng: np.random.Generator
) -> dict[str, Trace]:
    """Minus closes first, then the pre-charge, then plus; the pre-charge opens again."""
    told = {"minus": (pre - 0.3, opens), "plus": (close, opens), "pre_charge": (pre, close + 0.3)}
    if how.straight:
        del told["pre_charge"]
        told["pre_charge"] = (span + 9.0, span + 10.0)
    traces = {}
    for name, (on, off) in told.items():
        command = steps((-1.0, 0.0), (on - 0.03, 1.0), (off - 0.03, 0.0))
        answer = steps((-1.0, 0.0), (on, 1.0), (off, 0.0))
        traces[f"{name}_command"] = Bus().carry(command, span, rng, COMMAND)
        traces[f"{name}_contactor"] = Bus(delay_s=0.02).carry(answer, span, rng, CONTACTOR)
    return traces


def random_wiring(seed: int) -> Wiring:
    """A healthy circuit: closes at 98 to 99.9 %, opens without load, the link falls at once."""
    rng = np.random.default_rng([seed, 43])
    return Wiring(
        pack_v=float(rng.uniform(90, 780)),
        tau_s=float(np.exp(rng.uniform(np.log(0.03), np.log(2.0)))),
        share=float(rng.uniform(0.98, 0.999)),
        discharge_s=float(np.exp(rng.uniform(np.log(0.3), np.log(15.0)))),
    )


@dataclass(frozen=True)
class Charge:
    """What a charger does with what is asked of it. Times in s, currents in A."""

    asked_a: float = 40.0
    span_s: float = 400.0
    starts_s: float = 10.0
    taper_s: float = 200.0
    """From here on the request falls with a time constant of 60 s."""
    ends_s: float = 360.0
    goes_on_s: float = 0.0
    gain: float = 1.0
    reacts_s: float = 0.5
    """First-order lag of the charger."""
    volts_over: float = 0.0
    top_over_v: float = -0.01
    """How far the highest cell comes beyond 4.2 V."""
    ignores_taper: bool = False


def charge(
    seed: int, how: Charge | None = None, bus: Bus | None = None, cells: int = 24
) -> tuple[dict[str, Trace], Array, Array]:
    """Traces of charger and pack, and times (n,) and voltages (n, cells) of the cells.

    The charger follows the request as a first-order lag, v(t) = integral of exp(-(t-s)/T) r(s)/T.
    """
    how = how or Charge()
    bus = bus or Bus(period_s=0.2, noise=0.05, step=0.1)
    rng = np.random.default_rng([seed, 19])
    grid = np.arange(0.0, how.span_s, 0.02)
    asked = np.where(grid < how.starts_s, 0.0, how.asked_a)
    asked *= np.exp(-np.clip(grid - how.taper_s, 0, None) / 60)
    asked[grid >= how.ends_s] = 0.0
    wanted = np.where(grid < how.starts_s, 0.0, how.asked_a) if how.ignores_taper else asked.copy()
    wanted[grid >= how.ends_s] = 0.0
    on = (grid >= how.ends_s) & (grid < how.ends_s + how.goes_on_s)
    wanted[on] = how.asked_a * np.exp(-(how.ends_s - how.taper_s) / 60)
    given = np.zeros(len(grid))
    keep = np.exp(-0.02 / how.reacts_s)
    for i in range(1, len(grid)):
        given[i] = keep * given[i - 1] + (1 - keep) * wanted[i]
    given *= how.gain
    time = np.arange(0.5, how.span_s, 1.0)
    own = 0.004 * rng.standard_normal(cells)
    own -= own.max() + 0.001
    own[cells // 2] = 0.0
    rise = np.clip((time - how.starts_s) / (how.taper_s - how.starts_s), 0, 1)
    volts = 3.9 + (4.2 + how.top_over_v - 3.9) * rise[:, None] + own * rise[:, None]
    volts = np.round(volts + 0.0003 * rng.standard_normal(volts.shape), 3)
    pack = np.interp(grid, time, volts.sum(axis=1))
    ceiling = 4.2 * cells
    out = np.where(given > 0.5, pack + 0.5 + how.volts_over, pack)

    def of(values: Array) -> Callable[[Array], Array]:
        return lambda t: np.interp(t, grid, values)

    truths = {
        "charger_current": given,
        "charger_current_request": asked,
        "charger_voltage": out,
        "charger_voltage_request": np.full(len(grid), ceiling),
        "current": -given,
        "voltage": pack,
    }
    traces = {n: bus.carry(of(v), how.span_s, rng) for n, v in truths.items()}
    return traces, time, volts


@dataclass(frozen=True)
class Leak:
    """Insulation over time: kilohms, what the monitor does at its start and in its tests."""

    kiloohm: float = 2000.0
    span_s: float = 600.0
    zeros_s: float = 0.0
    test_every_s: float = 0.0
    test_s: float = 4.0
    halves_in_s: float = field(default=float("inf"))
    falls_at_s: float = field(default=float("inf"))
    falls_to: float = 0.0


def insulation(seed: int, how: Leak | None = None) -> Trace:
    """R(t) = R0 2^(-t/T), with zeros at the start, tests that read 0, and a sudden fall."""
    how = how or Leak()
    rng = np.random.default_rng([seed, 23])

    def ohms(t: Array) -> Array:
        value = how.kiloohm * np.exp2(-np.clip(t, 0, None) / how.halves_in_s)
        value = value * (1 + 0.01 * rng.standard_normal(len(t)))
        value = np.where(t >= how.falls_at_s, how.falls_to, value)
        if how.test_every_s:
            value = np.where(t % how.test_every_s > how.test_every_s - how.test_s, 0.0, value)
        return 1000.0 * np.where(t < how.zeros_s, 0.0, np.round(value))

    return Bus(period_s=1.0, step=1000.0).carry(ohms, how.span_s, rng)


def counted(
    seed: int,
    *,
    capacity_ah: float = 100.0,
    told_ah: float | None = None,
    mean_a: float = 60.0,
    span_s: float = 1200.0,
    bus: Bus | None = None,
    sign: float = 1.0,
) -> tuple[dict[str, Trace], float]:
    """Current and state of charge, and the charge truly drawn [Ah].

    I(t) = I0 (1 + sin(2 pi t/60)), so Q(t) = I0 (t + 60 (1 - cos(2 pi t/60))/2 pi). The state of
    charge is reckoned by a capacity of ``told_ah`` and counts the other way with ``sign`` -1.
    """
    rng = np.random.default_rng([seed, 29])
    w = 2 * np.pi / 60

    def charge_ah(t: Array) -> Array:
        return mean_a * (t + (1 - np.cos(w * t)) / w) / 3600

    current = (bus or Bus(noise=0.2, step=0.1)).carry(
        lambda t: mean_a * (1 + np.sin(w * t)), span_s, rng
    )
    share = 100.0 / (told_ah or capacity_ah)
    soc = Bus(period_s=1.0, step=0.5).carry(
        lambda t: 80.0 - sign * share * charge_ah(t), span_s, rng
    )
    drawn = float(charge_ah(np.array([span_s]))[0])
    return {"current": current, "state_of_charge": soc}, drawn
