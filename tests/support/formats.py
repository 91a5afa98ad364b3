"""The capture formats that can be tried here."""

from importlib.util import find_spec

import pytest

from busplan.capture.formats import FORMATS

NEEDED = {".mf4": "asammdf"}
"""What a format needs beside busplan's own dependencies."""


def formats() -> list:
    """Every format as a parameter of a test; skipped where what it needs is not installed."""
    return [
        pytest.param(
            kind,
            id=kind.suffix,
            marks=pytest.mark.skipif(
                (needed := NEEDED.get(kind.suffix)) is not None and find_spec(needed) is None,
                reason=f"{needed} is not installed",
            ),
        )
        for kind in FORMATS
    ]
