"""The application under a clock of our own, and what its terminal shows."""

from __future__ import annotations

import asyncio

from textual.app import App

from busplan.screens.app import ReplayApp

S = 1_000_000_000
SIZES = ((80, 24), (120, 35), (200, 60))


class FakeNow:
    """A monotonic clock [ns] that stands still until it is told otherwise."""

    ns = 0

    def __call__(self) -> int:
        return self.ns


def screen_text(app: App[None]) -> str:
    """What the terminal shows, without the blanks at the end of lines."""
    return "\n".join(
        "".join(segment.text for segment in strip).rstrip()
        for strip in app.screen._compositor.render_strips()
    )


async def settle(app: ReplayApp, pilot: object) -> None:
    """Wait until the pack is judged and everything is drawn, however busy the machine is."""
    for _ in range(1200):
        await pilot.pause(0.01)  # type: ignore[attr-defined]
        if app._beside.done:
            break
    await app.workers.wait_for_complete()
    for _ in range(3000):  # what works beside the screens is no worker of theirs
        if app._beside.begun and not app._beside.running:
            break
        await asyncio.sleep(0.01)
    await pilot.pause()  # type: ignore[attr-defined]
