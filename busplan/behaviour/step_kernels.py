"""Kernels over step functions: ascending times, and from each on an interval of values.

The rules of this file: the first time stands before all others (``steps.START``), so that every
query has a step; intervals are two arrays, ``low`` and ``high``, without NaN.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from busplan.kernels import kernel

LEAST, MOST, MINUS = 0, 1, 2
"""What :func:`combine` makes of two intervals."""


@kernel
def received(
    time: Any, value: Any, ok: Any, allowed: Any, begin: Any, last: Any
) -> tuple[Any, Any, Any, Any]:
    """Steps of values ``value`` (n,) that came at ``time`` (n,), and how many steps there are.

    ``ok`` says which are measurements; from the others on nothing is known, nor from ``allowed``
    [ns] after any. ``begin`` is the first time of all, before every frame, ``last`` where all ends.
    """
    n = len(time)
    at = np.empty(2 * n + 2, np.int64)
    low = np.empty(2 * n + 2, np.float64)
    high = np.empty(2 * n + 2, np.float64)
    at[0], low[0], high[0] = begin, -np.inf, np.inf
    count = 1
    for i in range(n):
        if i + 1 < n and time[i + 1] == time[i]:
            continue
        if ok[i]:
            lower, upper = value[i], value[i]
        else:
            lower, upper = -np.inf, np.inf
        if low[count - 1] != lower or high[count - 1] != upper:
            at[count], low[count], high[count] = time[i], lower, upper
            count += 1
        ends = time[i] + allowed
        following = time[i + 1] if i + 1 < n else last
        if ok[i] and ends < following:
            at[count], low[count], high[count] = ends, -np.inf, np.inf
            count += 1
    if low[count - 1] != -np.inf:
        at[count], low[count], high[count] = last, -np.inf, np.inf
        count += 1
    return at, low, high, count


@kernel
def combine(
    time_a: Any,
    low_a: Any,
    high_a: Any,
    time_b: Any,
    low_b: Any,
    high_b: Any,
    operation: int,
) -> tuple[Any, Any, Any, Any]:
    """The lesser, the greater or the difference of two step functions, and how many steps."""
    n, m = len(time_a), len(time_b)
    at = np.empty(n + m, np.int64)
    low = np.empty(n + m, np.float64)
    high = np.empty(n + m, np.float64)
    count, i, j = 0, 0, 0
    while i < n or j < m:
        now = time_a[i] if j >= m or (i < n and time_a[i] <= time_b[j]) else time_b[j]
        if i < n and time_a[i] == now:
            i += 1
        if j < m and time_b[j] == now:
            j += 1
        a, b = max(i - 1, 0), max(j - 1, 0)
        if operation == LEAST:
            lower, upper = min(low_a[a], low_b[b]), min(high_a[a], high_b[b])
        elif operation == MOST:
            lower, upper = max(low_a[a], low_b[b]), max(high_a[a], high_b[b])
        else:
            lower, upper = low_a[a] - high_b[b], high_a[a] - low_b[b]
        if count and low[count - 1] == lower and high[count - 1] == upper:
            continue
        at[count], low[count], high[count] = now, lower, upper
        count += 1
    return at, low, high, count


@kernel
def extremes(time: Any, value: Any, begin: Any, end: Any, largest: bool) -> Any:
    """The least or largest step value in each window ``begin <= t <= end``, both ascending (k,).

    A monotone queue of candidates (D. Lemire, "Streaming maximum-minimum filter", 2006): every
    step enters and leaves once.
    """
    n = len(time)
    queue = np.empty(n, np.int64)
    head, tail, entered = 0, 0, 0
    result = np.empty(len(begin), np.float64)
    for k in range(len(begin)):
        while entered < n and (time[entered] <= end[k]):
            while tail > head and (
                value[queue[tail - 1]] <= value[entered]
                if largest
                else value[queue[tail - 1]] >= value[entered]
            ):
                tail -= 1
            queue[tail] = entered
            tail += 1
            entered += 1
        # The step that holds at `begin` counts; those that ended before it do not.
        while queue[head] + 1 < n and time[queue[head] + 1] <= begin[k]:
            head += 1
        result[k] = value[queue[head]]
    return result


@kernel
def without_repeats(time: Any, low: Any, high: Any) -> int:
    """Move the steps that change something to the front; how many there are."""
    count = 1
    for i in range(1, len(time)):
        if low[i] != low[count - 1] or high[i] != high[count - 1]:
            time[count], low[count], high[count] = time[i], low[i], high[i]
            count += 1
    return count
