"""Compiled sums for the resistance of cells: moments by block, and how well a delay fits.

``table`` (g, k) holds what acts on a cell on a uniform grid from ``start`` in steps of ``step``;
rows are taken from it by straight lines at the time of a reading less its delay.
"""

from __future__ import annotations

import numpy as np

from busplan.frames.columns import F64, I64
from busplan.kernels import kernel

NUISANCE = 3
"""Level, drift and charge are taken out of every block."""
TINY = 1e-9


@kernel
def slow_parts(current: F64, decay: float) -> F64:
    """The current through a first-order low pass, exact for straight lines between samples.

    ``decay`` = e^(−d/τ) for a sample distance d; settled at the first sample.
    """
    out = np.empty(len(current))
    if not len(current):
        return out
    slope = 1.0 + (1.0 - decay) / np.log(decay)
    old = (1.0 - decay) - slope
    out[0] = current[0]
    for k in range(1, len(current)):
        out[k] = decay * out[k - 1] + old * current[k - 1] + slope * current[k]
    return out


@kernel
def block_moments(
    time: F64,
    volts: F64,
    group: I64,
    block: I64,
    table: F64,
    start: float,
    step: float,
    delay: float,
    groups: int,
) -> F64:
    """Sums of products of [causes, falls] over rows, level, drift and charge taken out by block.

    ``time`` (n,), ``volts`` (n, m), ``block`` (n,) ascending from 0, ``group`` (n,): where a row's
    block is summed. The last column of ``table`` is the charge, the others the
    causes. Returns (groups, k + m + 1, k + m + 1); the last corner counts the rows.
    """
    causes = table.shape[1] - 1
    cells = volts.shape[1]
    size = NUISANCE + causes + cells
    total = np.zeros((groups, causes + cells + 1, causes + cells + 1))
    square = np.zeros((size, size))
    row = np.empty(size)
    row[0] = 1.0
    last = -1
    base_time = 0.0
    base_charge = 0.0
    base_volts = np.zeros(cells)
    for r in range(len(time) + 1):
        if r == len(time) or block[r] != last:
            if last >= 0 and square[0, 0] > NUISANCE + 1:
                g = group[r - 1]
                total[g, causes + cells, causes + cells] += square[0, 0]
                _take_out(square)
                for a in range(causes + cells):
                    for b in range(a, causes + cells):
                        total[g, a, b] += square[NUISANCE + a, NUISANCE + b]
            if r == len(time):
                break
            for a in range(size):
                for b in range(size):
                    square[a, b] = 0.0
            last = block[r]
            base_time = time[r]
            base_charge = np.nan
            for c in range(cells):
                base_volts[c] = volts[r, c]
        at = (time[r] - delay - start) / step
        low = int(np.floor(at))
        if low < 0 or low >= len(table) - 1:
            continue
        part = at - low
        row[1] = time[r] - base_time
        charge = table[low, causes] + part * (table[low + 1, causes] - table[low, causes])
        if np.isnan(base_charge):
            base_charge = charge
        row[2] = charge - base_charge
        for j in range(causes):
            row[NUISANCE + j] = table[low, j] + part * (table[low + 1, j] - table[low, j])
        for c in range(cells):
            row[NUISANCE + causes + c] = base_volts[c] - volts[r, c]
        for a in range(size):
            for b in range(a, size):
                square[a, b] += row[a] * row[b]
    for g in range(groups):
        for a in range(causes + cells):
            for b in range(a):
                total[g, a, b] = total[g, b, a]
    return total


@kernel
def _take_out(square: F64) -> None:
    """Eliminate the first ``NUISANCE`` variables of a matrix whose upper half is filled."""
    size = len(square)
    drift, charge = square[1, 1], square[2, 2]
    for p in range(NUISANCE):
        pivot = square[p, p]
        if (p == 1 and pivot <= TINY * drift) or (p == 2 and pivot <= TINY * charge):
            continue
        for a in range(p + 1, size):
            factor = square[p, a] / pivot
            if factor != 0.0:
                for b in range(a, size):
                    square[a, b] -= factor * square[p, b]


@kernel
def delay_fits(
    time: F64,
    fall: F64,
    window: I64,
    response: F64,
    start: float,
    step: float,
    delays: F64,
) -> F64:
    """What part of ``fall`` the ``response`` takes up at each delay, level and drift of each
    ``window`` (n,) of rows taken out of both: (Σ r f)² / (Σ r²) / Σ f², shape of ``delays``.
    """
    out = np.zeros(len(delays))
    n = len(time)
    for d in range(len(delays)):
        rr = 0.0
        rf = 0.0
        ff = 0.0
        r = 0
        while r < n:
            first = r
            s1 = st = stt = sr = srt = sf = sft = srr = srf = sff = 0.0
            base = time[first]
            level = fall[first]
            while r < n and window[r] == window[first]:
                at = (time[r] - delays[d] - start) / step
                low = int(np.floor(at))
                if 0 <= low < len(response) - 1:
                    x = response[low] + (at - low) * (response[low + 1] - response[low])
                    t = time[r] - base
                    f = fall[r] - level
                    s1 += 1.0
                    st += t
                    stt += t * t
                    sr += x
                    srt += x * t
                    sf += f
                    sft += f * t
                    srr += x * x
                    srf += x * f
                    sff += f * f
                r += 1
            if s1 < 4.0:
                continue
            ct = stt - st * st / s1
            crt = srt - sr * st / s1
            cft = sft - sf * st / s1
            crr = srr - sr * sr / s1
            crf = srf - sr * sf / s1
            cff = sff - sf * sf / s1
            if ct > TINY:
                crr -= crt * crt / ct
                crf -= crt * cft / ct
                cff -= cft * cft / ct
            rr += crr
            rf += crf
            ff += cff
        if rr > 0.0 and ff > 0.0 and rf > 0.0:
            out[d] = rf * rf / rr / ff
    return out
