"""What the screens remember between runs: theme, screen, density, window.

It is kept in the user's state folder. The file is not needed, and a damaged one is ignored.
"""

from __future__ import annotations

import json
import os
from dataclasses import asdict, dataclass
from pathlib import Path

from busplan.files import read_whole

LARGEST = 100_000
"""Bytes of the largest file that is read."""


@dataclass(frozen=True, slots=True)
class Layout:
    """How the screens looked when they were left. Unknown values fall back to these."""

    theme: str = "busplan-ink"
    screen: str = "pack"
    density: str = ""
    overlay: str = "map"
    window_s: float = 0.0
    bell: bool = False
    drawing: str = "quadrant"


def layout_file() -> Path:
    """Where the layout is kept."""
    import platformdirs

    return platformdirs.user_state_path("busplan") / "screens.json"


def read_layout(path: Path) -> Layout:
    """The layout that was kept; the usual one when there is none or it cannot be read."""
    try:
        kept = json.loads(read_whole(path, LARGEST))
    except (OSError, ValueError, RecursionError):
        return Layout()
    if not isinstance(kept, dict):
        return Layout()
    usual = asdict(Layout())
    good = {k: v for k, v in kept.items() if k in usual and type(v) is type(usual[k])}
    return Layout(**good)


def write_layout(path: Path, layout: Layout) -> None:
    """Keep the layout; a folder that cannot be written to is no reason to stop."""
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        new = path.with_name(f"{path.name}.{os.getpid()}")
        new.write_text(json.dumps(asdict(layout), indent=2) + "\n", encoding="utf-8")
        new.replace(path)
    except OSError:
        return
