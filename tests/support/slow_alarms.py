"""The rule of alarms one sample after the other, as one would say it; slow, for tests."""

from __future__ import annotations


def changes(times, values, limit, margin, for_ns, clear_ns, allowed_ns, until_ns):
    """``(moment, raised)`` of every change; times in ns, values may be NaN."""
    raised = False
    beyond_since = back_since = None
    found = []

    def wait(begin, end):
        """A value that holds from ``begin`` to ``end``."""
        nonlocal raised
        if beyond_since is not None and not raised and begin - 1 < beyond_since + for_ns <= end:
            raised = True
            found.append((beyond_since + for_ns, True))
        if back_since is not None and raised and begin - 1 < back_since + clear_ns <= end:
            raised = False
            found.append((back_since + clear_ns, False))

    for i, (t, v) in enumerate(zip(times, values, strict=True)):
        following = times[i + 1] if i + 1 < len(times) else max(until_ns, t)
        end = min(following, t + allowed_ns)
        if v > limit:
            back_since = None
            beyond_since = t if beyond_since is None else beyond_since
        elif v <= limit - margin:
            beyond_since = None
            back_since = t if back_since is None else back_since
        else:
            beyond_since = back_since = None
        wait(t, end)
        if end < following:
            beyond_since = back_since = None
    return found
