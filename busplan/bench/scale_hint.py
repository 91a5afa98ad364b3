"""The scale with which a value that leaves its range would keep to it.

The rules of this file: a hint, never a verdict; powers of ten only, the one nearest to 1.
"""

from __future__ import annotations

import numpy as np

from busplan.decode.codec import DecodedSignal


def scale_hint(column: DecodedSignal) -> str:
    """The factor nearest to 1 that brings all values of a signal into its range; "" for none."""
    signal = column.signal
    low, high = signal.minimum, signal.maximum
    values = np.asarray(column.values[column.present], np.float64)
    if low is None or high is None or not low < high or signal.offset or not len(values):
        return ""
    least, most = float(values.min()), float(values.max())
    # Most of the range must be used: almost any value times a small factor is within it.
    for factor in (0.1, 10.0, 0.01, 100.0, 0.001, 1000.0):
        inside = low <= least * factor and most * factor <= high
        if inside and max(abs(least), abs(most)) * factor >= 0.2 * max(abs(low), abs(high)):
            return (
                f"With a scale of {signal.scale * factor:g} instead of {signal.scale:g} it would "
                f"be within ({least * factor:g} to {most * factor:g} {signal.unit})."
            )
    return ""
