"""Whether something is told on or off: switches, enables and commands by their names or 0 and 1."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from busplan.frames.columns import F64
from busplan.pack.series import Trace

OFF_WORDS = ("off", "disab", "inactive", "stop", "idle", "standby", "no", "open", "not")


def switched_on(switch: Trace, time_s: F64) -> npt.NDArray[np.int8]:
    """1 where it was last told on, 0 where off, -1 where nothing fresh is known (n,)."""
    row = np.searchsorted(switch.time_s, time_s, side="right") - 1
    last = np.maximum(row, 0)
    fresh = (row >= 0) & (time_s - switch.time_s[last] <= switch.stale_s)
    told = np.round(switch.value)
    off = {float(raw) for raw, name in switch.choices.items() if _says_off(name)}
    on = ~np.isin(told, list(off)) if off else told != 0.0
    return np.where(fresh, on[last].astype(np.int8), np.int8(-1)).astype(np.int8)


def _says_off(name: str) -> bool:
    words = name.lower().replace("_", " ").replace("-", " ").split()
    return any(w.startswith(OFF_WORDS[:5]) or w in OFF_WORDS[5:] for w in words)
