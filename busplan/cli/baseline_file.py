"""The baseline of a pack as a JSON file: what a judgement keeps, and a later one compares with."""

from __future__ import annotations

import json
from pathlib import Path

from busplan.errors import UsageError
from busplan.pack.drift import Baseline

MOST_BYTES = 64_000_000


def write_baseline(baseline: Baseline, path: Path) -> None:
    """Write it; :class:`busplan.errors.UsageError` when the file cannot be written."""
    text = json.dumps(baseline.as_dict(), indent=1, allow_nan=False) + "\n"
    try:
        path.write_text(text, encoding="utf-8")
    except OSError as error:
        raise UsageError(f"cannot write {path}: {error.strerror}") from None


def read_baseline(path: Path) -> Baseline:
    """Read it; :class:`busplan.errors.UsageError` when it is no baseline."""
    try:
        if path.stat().st_size > MOST_BYTES:
            raise UsageError(f"{path} is too large for a baseline")
        text = path.read_text(encoding="utf-8")
    except (OSError, UnicodeDecodeError) as error:
        reason = getattr(error, "strerror", None) or "it is not text"
        raise UsageError(f"cannot read {path}: {reason}") from None
    try:
        return Baseline.from_dict(json.loads(text))
    except (json.JSONDecodeError, RecursionError):
        raise UsageError(f"{path} is not JSON") from None
    except UsageError as error:
        raise UsageError(f"{path}: {error}") from None
