"""Published and computed values from outside the project."""

import json
from pathlib import Path
from typing import Any

DATA = Path(__file__).parents[1] / "data"


def reference_values() -> dict[str, Any]:
    """The document ``tests/data/reference_values.json``; its ``about`` names the sources."""
    document: dict[str, Any] = json.loads((DATA / "reference_values.json").read_text("utf-8"))
    return document
