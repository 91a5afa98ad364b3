"""What the screens remember between runs, and the user's own keys.

The layout (theme, screen, density, window) is kept in the user's state folder; keys are read from
``keys.toml`` in the user's configuration folder, one line each: ``"time.toggle" = "k"``. The names
stand in the help of every screen. Neither file is needed; a damaged one is ignored or reported.
"""

from __future__ import annotations

import json
import os
import tomllib
from collections.abc import Mapping
from dataclasses import asdict, dataclass
from pathlib import Path

from busplan.errors import UsageError


@dataclass(frozen=True, slots=True)
class Layout:
    """How the screens looked when they were left. Unknown values fall back to these."""

    theme: str = "busplan-ink"
    screen: str = "pack"
    density: str = ""
    overlay: str = "map"
    window_s: float = 0.0
    bell: bool = False


def layout_file() -> Path:
    """Where the layout is kept."""
    import platformdirs

    return platformdirs.user_state_path("busplan") / "screens.json"


def keys_file() -> Path:
    """Where the user may put keys."""
    import platformdirs

    return platformdirs.user_config_path("busplan") / "keys.toml"


def read_layout(path: Path) -> Layout:
    """The layout that was kept; the usual one when there is none or it cannot be read."""
    try:
        kept = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError):
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


def read_keys(path: Path) -> Mapping[str, str]:
    """The user's keys by the name of what they do; ``UsageError`` for a file that is wrong."""
    try:
        text = path.read_text(encoding="utf-8")
    except OSError:
        return {}
    try:
        keys = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise UsageError(f"{path}: {error}") from error
    wrong = [name for name, key in keys.items() if not isinstance(key, str)]
    if wrong:
        raise UsageError(f'{path}: write keys as "name" = "key"; wrong: {", ".join(wrong)}')
    return keys
