"""The stated interval of a module's exchange covers the truth as often as it says."""

from __future__ import annotations

import numpy as np
from support.packs import module_temperatures, rounded

from busplan.pack.series import Trace, sample
from busplan.pack.thermal_span import cut_thermal_span
from busplan.pack.warm_up import judge_warm_up

MINUTES, PERIOD_S = 15.0, 5.0


def trial(rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray, np.ndarray, int]:
    """True exchange, exchange and uncertainty as stated, and which of 12 modules is lame.

    A made pack in closed form (``support/packs.py``), with all that a real one has besides: sensors
    that lean towards the liquid, offsets, noise, rounding, liquid that comes late, heat from
    elsewhere that is the same in every module.
    """
    flows = np.clip(1 + 0.05 * rng.normal(size=12), 0.85, 1.15)
    lame = int(rng.integers(12))
    flows[lame] = rng.uniform(0.15, 0.7)
    time, liquid, ideal = module_temperatures(
        MINUTES, flows, sensors=2, step=0.0, noise=0.0, period=PERIOD_S, start=rng.uniform(12, 16)
    )
    rate = np.repeat(flows / 900, 2)
    heat_k_s = rng.normal(0, 0.05) * float(np.ptp(np.median(ideal, axis=1))) / time[-1]
    ideal = ideal + heat_k_s * (1 - np.exp(-np.outer(time, rate))) / rate
    lean = rng.uniform(0.0, 0.15) + 0.02 * rng.normal(size=24)
    seen = ideal + lean * (liquid[:, None] - ideal)
    seen = seen + 0.2 * rng.normal(size=24) + 0.1 * rng.normal(size=seen.shape)
    traces = [Trace(time, v, 0.5) for v in rounded(seen, 0.5).T]
    early = np.interp(time + rng.uniform(0, 15), time, liquid)
    inlet = Trace(time, rounded(early, 0.5), 0.5)
    span = cut_thermal_span(sample(traces, time), inlet, 0.0, MINUTES * 60)
    names = [str(i) for i in range(12)]
    test = judge_warm_up(span, names, [n for n in names for _ in "ab"], [1, 2] * 12, 0.5)
    truth = flows / np.array([np.median(np.delete(flows, i)) for i in range(12)])
    stated = np.array([(m.exchange, m.uncertainty) for m in test.modules])
    return truth, stated[:, 0], stated[:, 1], lame


def test_two_standard_uncertainties_cover_95_percent() -> None:
    rng = np.random.default_rng(11)
    covered, of_lame, width = [], [], []
    for _ in range(40):
        truth, exchange, uncertainty, lame = trial(rng)
        inside = np.abs(exchange - truth) <= 2 * uncertainty
        covered += inside.tolist()
        of_lame.append(inside[lame])
        width.append(uncertainty[lame])
    assert np.mean(covered) >= 0.95
    assert np.mean(of_lame) >= 0.90  # 95 % of 40, less the scatter of so few
    assert np.median(width) < 0.06  # and yet it says something
