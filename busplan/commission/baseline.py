"""What a commissioning found of the pack, kept for captures of later years.

The rules of this file: pure. Each topic is that of the latest capture that tells it, among those by
which tests stand as they do.
"""

from __future__ import annotations

from busplan.commission.state import Commissioning
from busplan.errors import UsageError
from busplan.pack.drift import Baseline, Kept, Topic

OF_ONE_KIND = (Topic.VOLTAGE, Topic.TEMPERATURE)
"""What can only be compared between captures of one kind."""


def baseline_of(commissioning: Commissioning, kind: str | None = None) -> Baseline:
    """Resistance, capacity, exchange and the others of every cell and module, as far as known.

    With a ``kind`` of capture what depends on it is that of such captures only.

    :class:`busplan.errors.UsageError` when no capture of the pack was entered, or they are of
    different packs.
    """
    found: list[tuple[int, str, Baseline]] = []
    for state in commissioning.tests:
        if state.test.kind == "capture" and state.proof is not None:
            kept = (state.proof[1].figures or {}).get("baseline")
            if kept is not None:
                number = state.proof[0].number
                found.append((number, state.test.subject, Baseline.from_dict(kept)))
    if not found:
        raise UsageError("no capture of the pack has been entered: there is nothing to keep")
    found.sort(key=lambda one: one[0])
    last = found[-1][2]
    if any((b.cells, b.modules) != (last.cells, last.modules) for *_, b in found):
        raise UsageError("the captures in the journal are of different packs: nothing is kept")
    topics: dict[Topic, Kept] = {}
    for _, subject, baseline in found:
        alike = kind in (None, subject)
        topics |= {t: k for t, k in baseline.topics.items() if alike or t not in OF_ONE_KIND}
    return Baseline(last.cells, last.modules, topics)
