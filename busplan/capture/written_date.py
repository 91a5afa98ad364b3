"""The date that a log's header states, where its times count from its own start.

The rules of this file: nothing is guessed. Such a date has no zone, so that frames keep the times
they were recorded with; it tells the day to whoever orders recordings by days. A header without a
whole date, or one before any CAN recorder, states none.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Mapping
from datetime import UTC, datetime, timedelta
from pathlib import Path

from busplan.capture.blocks import byte_blocks
from busplan.capture.chunks import EPOCH_FROM_NS
from busplan.capture.tally import Tally
from busplan.errors import CaptureError

_MONTHS: Mapping[str, int] = {
    **{
        m: n
        for n, m in enumerate(
            ["jan", "feb", "mar", "apr", "may", "jun", "jul", "aug", "sep", "oct", "nov", "dec"], 1
        )
    },
    **{"mär": 3, "mai": 5, "okt": 10, "dez": 12},
}
"""English and German, as recorders write them."""
_ASC = re.compile(
    r"^date (?:\w+\.?,? )?(\w+)\.? +(\d{1,2}) +(\d{1,2}):(\d\d):(\d\d)(\.\d{1,9})?"
    r"(?: +([ap]m))? +(\d{4})\s*$",
    re.IGNORECASE | re.MULTILINE,
)
_TRC = re.compile(r"^;\$STARTTIME=(\d{1,7}(?:\.\d{1,20})?)\s*$", re.MULTILINE)
"""Days since the end of 1899 (the format's own description, from memory)."""
_TRC_BEGIN = datetime(1899, 12, 30, tzinfo=UTC)


def date_written(path: Path) -> int | None:
    """Nanoseconds since 1970 of a header's date, as if it were UTC; ``None``: it states none."""
    try:
        head = next(byte_blocks(path, Tally(str(path))), b"").decode("utf-8", "replace")
    except CaptureError:
        return None
    for form, read in _FORMS.items():
        found = form.search(head.replace("\r", ""))
        if found is None:
            continue
        try:
            moment = read(found)
        except (ValueError, OverflowError):
            return None
        span = moment - datetime(1970, 1, 1, tzinfo=UTC)
        whole = (span.days * 86_400 + span.seconds) * 10**9 + span.microseconds * 1000
        return whole if whole >= EPOCH_FROM_NS else None
    return None


def _asc(found: re.Match[str]) -> datetime:
    month, day, hour, minute, second, part, half, year = found.groups()
    number = _MONTHS.get(month[:3].lower())
    if number is None:
        raise ValueError(month)
    hours = int(hour)
    if half:
        if not 1 <= hours <= 12:
            raise ValueError(hour)
        hours = hours % 12 + 12 * (half.lower() == "pm")
    made = datetime(int(year), number, int(day), hours, int(minute), int(second), tzinfo=UTC)
    return made + timedelta(seconds=float(part or 0.0))


def _trc(found: re.Match[str]) -> datetime:
    return _TRC_BEGIN + timedelta(days=float(found[1]))


_FORMS: Mapping[re.Pattern[str], Callable[[re.Match[str]], datetime]] = {_ASC: _asc, _TRC: _trc}
