"""Screens are looked at as soon as they stand still."""

import asyncio
import time
from typing import Any

import textual.app
import textual.pilot
from textual._context import active_app

_LOOK_S, _BUSY_S, _QUIET_TURNS = 0.01, 0.0005, 3


async def at_rest(min_sleep: float = 0.02, max_sleep: float = 1.0) -> None:
    """Wait until no thread of ours works, no event waits and nothing is still to be drawn.

    textual's own asks every 20 ms for the first alone: these waits would be most of the time that
    the tests of this room take, and on a busy machine what waits for the processor looks idle.
    """
    loop: Any = asyncio.get_running_loop()
    begin, quiet = loop.time(), 0
    while loop.time() < begin + max_sleep:
        worked = time.process_time()
        await asyncio.sleep(_LOOK_S)
        worked = time.process_time() - worked
        for _ in range(_QUIET_TURNS):
            await asyncio.sleep(0)
            quiet = 0 if loop._ready or to_be_drawn() else quiet + 1
        if worked < _BUSY_S and quiet >= _QUIET_TURNS and loop.time() > begin + min_sleep:
            return


def to_be_drawn() -> bool:
    """Whether the screen in front has a layout, a widget or a call before it."""
    app: Any = active_app.get(None)
    if app is None or not app.screen_stack:
        return False
    screen = app.screen
    return bool(screen._layout_required or screen._dirty_widgets or screen._callbacks)


for module in (textual.app, textual.pilot):
    assert hasattr(module, "wait_for_idle")
    module.wait_for_idle = at_rest  # type: ignore[attr-defined]
