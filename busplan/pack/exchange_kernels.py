"""Compiled kernels of the warm-up test: code changes, likelihood over a grid.

Imported only where used (numba). The equations stand in :mod:`busplan.pack.exchange`; each kernel
has a slow twin in ``tests/support/slow_exchange.py``.
"""

from __future__ import annotations

import numpy as np

from busplan.frames.columns import F64, I64
from busplan.kernels import kernel

FLICKER_S = 60.0
"""Changes about one level that follow each other within this time are one crossing."""
UNKNOWNS = 6
"""Offset, start difference, ambient loss, and three slow waves for what the model leaves out."""
WAVES = 3


@kernel
def crossings(time_s: F64, code: I64, found: F64) -> int:
    """When a reading passes from one code to another, shape of ``found`` (at least n, 4).

    ``code`` (n,) are whole numbers of steps. Row of ``found``: time, level (in codes, a half
    between two), how many codes were jumped over, and the distance of the two values about the
    change [s]. A reading that flickers about one level has passed it once, at the moment that
    leaves the time above and below as it was, or not at all. Returns the number of rows.
    """
    count = 0
    opened = np.empty((len(code), 6))  # level, sum of signed times, net sign, last time, gap, jump
    groups = 0
    for i in range(1, len(code)):
        jump = code[i] - code[i - 1]
        if jump == 0:
            continue
        at = 0.5 * (time_s[i] + time_s[i - 1])
        gap = time_s[i] - time_s[i - 1]
        level = 0.5 * (code[i] + code[i - 1])
        sign = 1.0 if jump > 0 else -1.0
        joined = False
        if abs(jump) == 1:
            for g in range(groups - 1, max(groups - 33, -1), -1):
                if opened[g, 0] == level and opened[g, 5] == 1 and at - opened[g, 3] <= FLICKER_S:
                    opened[g, 1] += sign * at
                    opened[g, 2] += sign
                    opened[g, 3] = at
                    opened[g, 4] = max(opened[g, 4], gap)
                    joined = True
                    break
        if not joined:
            opened[groups, 0] = level
            opened[groups, 1] = sign * at
            opened[groups, 2] = sign
            opened[groups, 3] = at
            opened[groups, 4] = gap
            opened[groups, 5] = abs(jump)
            groups += 1
    for g in range(groups):
        if opened[g, 2] != 0.0:
            found[count, 0] = opened[g, 1] / opened[g, 2]
            found[count, 1] = opened[g, 0]
            found[count, 2] = opened[g, 5]
            found[count, 3] = opened[g, 4]
            count += 1
    return count


@kernel
def dot(left: F64, right: F64, n: int) -> float:
    """Sum of products of the first ``n`` values; four partial sums let the processor overlap."""
    a, b, c, d = 0.0, 0.0, 0.0, 0.0
    whole = n - n % 4
    for k in range(0, whole, 4):
        a += left[k] * right[k]
        b += left[k + 1] * right[k + 1]
        c += left[k + 2] * right[k + 2]
        d += left[k + 3] * right[k + 3]
    for k in range(whole, n):
        a += left[k] * right[k]
    return (a + b) + (c + d)


@kernel
def reduce(normal: F64, solution: F64) -> tuple[float, float]:
    """Cholesky factor of ``normal`` (p, p) in its place, and the right side reduced by it.

    Returns the square of the reduced right side, and half the logarithm of the determinant.
    """
    p = len(normal)
    gained, product = 0.0, 1.0
    for a in range(p):
        for b in range(a + 1):
            total = normal[a, b]
            for c in range(b):
                total -= normal[a, c] * normal[b, c]
            if a == b:
                normal[a, a] = np.sqrt(total)
            else:
                normal[a, b] = total / normal[b, b]
        total = solution[a]
        for c in range(a):
            total -= normal[a, c] * solution[c]
        solution[a] = total / normal[a, a]
        gained += solution[a] * solution[a]
        product *= normal[a, a]
    return gained, np.log(product)


@kernel
def solve(design: F64, residual: F64, weight: F64, heavy: F64, normal: F64, solution: F64) -> float:
    """Log likelihood of ``residual`` (n,) with the rows of ``design`` (p, n) integrated out.

    Each row is scaled so that its unknown is N(0, 1); ``weight`` (n,) is 1/sigma². ``heavy`` (n,)
    is room to work. Leaves the Cholesky factor in ``normal`` (p, p) and the most probable unknowns
    in ``solution`` (p,). Constants that all models of one sensor share are left out.
    """
    p, n = design.shape
    for k in range(n):
        heavy[k] = weight[k] * residual[k]
    square = dot(heavy, residual, n)
    for a in range(p):
        solution[a] = dot(heavy, design[a], n)
    for a in range(p):
        for k in range(n):
            heavy[k] = weight[k] * design[a, k]
        for b in range(a + 1):
            normal[a, b] = dot(heavy, design[b], n)
        normal[a, a] += 1.0
    gained, log_det = reduce(normal, solution)
    for a in range(p - 1, -1, -1):
        total = solution[a]
        for c in range(a + 1, p):
            total -= normal[c, a] * solution[c]
        solution[a] = total / normal[a, a]
    return -0.5 * (square - gained) - log_det


@kernel
def slow_waves(time_s: F64, stop_s: float) -> F64:
    """Cosines of half a period and its multiples over the span, each weaker: (n,) → (n, 3)."""
    out = np.empty((len(time_s), WAVES))
    for k in range(len(time_s)):
        for j in range(1, WAVES + 1):
            out[k, j - 1] = np.cos(j * np.pi * time_s[k] / stop_s) / j
    return out


@kernel
def build(
    time_s: F64,
    curve: F64,
    start_c: float,
    rise: F64,
    passed: F64,
    step_s: float,
    tau_s: float,
    share: float,
    sd: F64,
    waves: F64,
    design: F64,
    base: F64,
) -> None:
    """The model of one sensor at its observations: ``base`` (n,) and ``design`` (6, n).

    ``curve`` (n,) are the peers at those times, ``rise`` (k,) the module's rise over ``start_c`` on
    the grid of ``step_s``, ``passed`` (k,) the peers' rise low-passed by the module. ``sd``: of
    offset, start difference, loss [1/s], wave base [K] and share of the gap; last the loss's mean.
    ``waves`` (n, 3) from :func:`slow_waves`.
    """
    own_s = tau_s / share
    gap = 0.0
    for k in range(len(time_s)):
        x = time_s[k] / step_s
        i = min(int(x), len(passed) - 2)
        x -= i
        lost = -(1.0 - share) * own_s * (passed[i] + x * (passed[i + 1] - passed[i]))
        late = start_c + rise[i] + x * (rise[i + 1] - rise[i]) - curve[k]
        base[k] = curve[k] + late + sd[5] * lost
        gap += late * late
        design[0, k] = sd[0]
        left = np.exp(-i * step_s / own_s)
        design[1, k] = sd[1] * (left + x * (np.exp(-(i + 1) * step_s / own_s) - left))
        design[2, k] = sd[2] * lost
    wave = sd[3] + sd[4] * np.sqrt(gap / len(time_s))
    for k in range(len(time_s)):
        for j in range(1, WAVES + 1):
            design[2 + j, k] = wave * waves[k, j - 1]


@kernel
def exchange_likelihood(
    first: I64,
    time_s: F64,
    value: F64,
    sigma: F64,
    curve: F64,
    step_s: float,
    rise: F64,
    passed: F64,
    tau_s: F64,
    shares: F64,
    sd: F64,
    stop_s: float,
    wanted: I64,
    tried: int,
    out: F64,
) -> None:
    """Log likelihood of each wanted sensor for each (tau, share): ``out`` (sensors, taus, shares).

    Observations of sensor s are ``first[s]:first[s + 1]``; ``rise`` and ``passed`` (taus * shares,
    k) and ``sd`` (sensors, 6) as in :func:`build`. Only the first ``tried`` shares are reckoned.
    What :func:`build` and :func:`solve` say, in one pass: what the grid does not change (offset and
    waves among themselves) is summed once a sensor, the rest in sums that run side by side.
    """
    count = 0
    for s in wanted:
        count += first[s + 1] - first[s]
    spot = np.empty(count, np.int64)
    part, own, told, weight = np.empty(count), np.empty(count), np.empty(count), np.empty(count)
    waves = np.empty((count, WAVES))
    fixed = np.zeros((len(wanted), 1 + WAVES, 1 + WAVES))
    row = 0
    for i in range(len(wanted)):
        begin, end = first[wanted[i]], first[wanted[i] + 1]
        own_waves = slow_waves(time_s[begin:end], stop_s)
        for k in range(begin, end):
            for a in range(WAVES):
                waves[row, a] = own_waves[k - begin, a]
            x = time_s[k] / step_s
            spot[row] = min(int(x), len(curve) - 2)
            part[row] = x - spot[row]
            own[row] = curve[spot[row]] + part[row] * (curve[spot[row] + 1] - curve[spot[row]])
            told[row] = value[k]
            weight[row] = 1.0 / sigma[k] ** 2
            fixed[i, 0, 0] += weight[row]
            for a in range(WAVES):
                fixed[i, 1 + a, 0] += weight[row] * waves[row, a]
                for b in range(a + 1):
                    fixed[i, 1 + a, 1 + b] += weight[row] * waves[row, a] * waves[row, b]
            row += 1
    start = np.empty(len(curve))
    normal, solution = np.empty((UNKNOWNS, UNKNOWNS)), np.empty(UNKNOWNS)
    for g in range(len(tau_s)):
        for j in range(tried):
            own_s = tau_s[g] / shares[j]
            lossy = -(1.0 - shares[j]) * own_s
            for k in range(len(curve)):
                start[k] = np.exp(-k * step_s / own_s)
            risen, low = rise[g * len(shares) + j], passed[g * len(shares) + j]
            end = 0
            for i in range(len(wanted)):
                s = wanted[i]
                begin, end = end, end + first[s + 1] - first[s]
                gap, square = 0.0, 0.0
                ss, s0, s1, s2, s3 = 0.0, 0.0, 0.0, 0.0, 0.0
                ll, l0, l1, l2, l3, ls = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
                r0, r1, r2, r3, rs, rl = 0.0, 0.0, 0.0, 0.0, 0.0, 0.0
                for k in range(begin, end):
                    at, x, w = spot[k], part[k], weight[k]
                    lost = lossy * (low[at] + x * (low[at + 1] - low[at]))
                    late = curve[0] + risen[at] + x * (risen[at + 1] - risen[at]) - own[k]
                    left = start[at] + x * (start[at + 1] - start[at])
                    rest = told[k] - own[k] - late - sd[s, 5] * lost
                    wave1, wave2, wave3 = waves[k, 0], waves[k, 1], waves[k, 2]
                    gap += late * late
                    square += w * rest * rest
                    r0 += w * rest
                    r1 += w * rest * wave1
                    r2 += w * rest * wave2
                    r3 += w * rest * wave3
                    rs += w * rest * left
                    rl += w * rest * lost
                    s0 += w * left
                    s1 += w * left * wave1
                    s2 += w * left * wave2
                    s3 += w * left * wave3
                    ss += w * left * left
                    l0 += w * lost
                    l1 += w * lost * wave1
                    l2 += w * lost * wave2
                    l3 += w * lost * wave3
                    ls += w * lost * left
                    ll += w * lost * lost
                offset, begun, loss = sd[s, 0], sd[s, 1], sd[s, 2]
                wave = sd[s, 3] + sd[s, 4] * np.sqrt(gap / (end - begin))
                normal[0, 0] = 1.0 + offset * offset * fixed[i, 0, 0]
                normal[1, 0], normal[1, 1] = begun * offset * s0, 1.0 + begun * begun * ss
                normal[2, 0], normal[2, 1] = loss * offset * l0, loss * begun * ls
                normal[2, 2] = 1.0 + loss * loss * ll
                normal[3, 1], normal[4, 1], normal[5, 1] = s1, s2, s3
                normal[3, 2], normal[4, 2], normal[5, 2] = l1, l2, l3
                for a in range(WAVES):
                    normal[3 + a, 0] = wave * offset * fixed[i, 1 + a, 0]
                    normal[3 + a, 1] *= wave * begun
                    normal[3 + a, 2] *= wave * loss
                    for b in range(a + 1):
                        normal[3 + a, 3 + b] = wave * wave * fixed[i, 1 + a, 1 + b]
                    normal[3 + a, 3 + a] += 1.0
                solution[0], solution[1], solution[2] = offset * r0, begun * rs, loss * rl
                solution[3], solution[4], solution[5] = wave * r1, wave * r2, wave * r3
                gained, log_det = reduce(normal, solution)
                out[s, g, j] = -0.5 * (square - gained) - log_det


@kernel
def best_fit(
    begin: int,
    end: int,
    time_s: F64,
    value: F64,
    sigma: F64,
    curve: F64,
    step_s: float,
    rise: F64,
    passed: F64,
    tau_s: float,
    share: float,
    sd: F64,
    stop_s: float,
    out: F64,
) -> tuple[float, float, float]:
    """One sensor at one (tau, share): fitted values into ``out`` (end - begin,).

    Returns its offset [K], the standard deviation of that, and how far the observations lie from
    the model (chi squared, with what the unknowns had to stretch). ``sd`` (6,).
    """
    n = end - begin
    at = time_s[begin:end]
    own = np.empty(n)
    weight = np.empty(n)
    for k in range(n):
        x = at[k] / step_s
        i = min(int(x), len(curve) - 2)
        own[k] = curve[i] + (x - i) * (curve[i + 1] - curve[i])
        weight[k] = 1.0 / sigma[begin + k] ** 2
    design = np.empty((UNKNOWNS, n))
    base = np.empty(n)
    build(
        at,
        own,
        curve[0],
        rise,
        passed,
        step_s,
        tau_s,
        share,
        sd,
        slow_waves(at, stop_s),
        design,
        base,
    )
    for k in range(n):
        own[k] = value[begin + k] - base[k]
    normal = np.empty((UNKNOWNS, UNKNOWNS))
    solution = np.empty(UNKNOWNS)
    distance = -2.0 * solve(design, own, weight, np.empty(n), normal, solution)
    for a in range(UNKNOWNS):
        distance -= 2.0 * np.log(normal[a, a])
    for k in range(n):
        out[k] = base[k]
        for a in range(UNKNOWNS):
            out[k] += design[a, k] * solution[a]
    # First column of the inverse: forward then back substitution of the first unit vector.
    column = np.zeros(UNKNOWNS)
    for a in range(UNKNOWNS):
        total = 1.0 if a == 0 else 0.0
        for c in range(a):
            total -= normal[a, c] * column[c]
        column[a] = total / normal[a, a]
    variance = 0.0
    for a in range(UNKNOWNS):
        variance += column[a] * column[a]
    return solution[0] * sd[0], np.sqrt(variance) * sd[0], distance
