"""Makes the pictures of README and manual anew: python .pictures/make.py (needs chromium)."""

import asyncio
import re
import subprocess
import tempfile
from pathlib import Path

from busplan.capture.capture import apply_plan
from busplan.capture.read import read_capture
from busplan.demo.captures import cached_capture
from busplan.demo.files import plan_file
from busplan.manual.written import PICTURES
from busplan.plan.reader import load_plan
from busplan.replay.opening import replay_of
from busplan.screens.app import ReplayApp
from busplan.sheets.drawing import drawing

SIZE = (120, 35)
SHOTS = {
    "replay.png": ("drive", 101_900_000_000, "7"),
    "pack.png": ("warm-up", 900_000_000_000, "1"),
}
"""Name of the picture: capture of the demo, moment [ns], keys."""


async def shoot(capture: str, moment_ns: int, keys: str) -> str:
    """A screen as SVG."""
    vehicle = load_plan(plan_file("as_built"))
    read = read_capture(cached_capture(capture, seed=1))
    replay = replay_of(apply_plan(read, vehicle), vehicle)
    app = ReplayApp(replay, start_ns=moment_ns, now=lambda: 0)
    async with app.run_test(size=SIZE) as pilot:
        while not app.replay.judged:
            await pilot.pause(0.1)
        await pilot.press(*keys)
        await pilot.pause(0.5)
        return app.export_screenshot(title="busplan replay (invented demo)")


def picture(target: Path, svg: str) -> None:
    """The SVG as PNG."""
    # Without this attribute the converter drops blanks at the ends of texts; the buttons of a
    # window that the drawing comes with are nobody's here.
    svg = svg.replace("<text ", '<text xml:space="preserve" ')
    svg = re.sub(r"<circle[^>]*/>", "", svg)
    wide, high = (round(float(n)) for n in re.findall(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', svg)[0])
    with tempfile.TemporaryDirectory() as folder:
        page = Path(folder) / "page.html"
        page.write_text(f'<body style="margin:0;background:#0F1B20">{svg}</body>', "utf-8")
        subprocess.run(
            [
                *("chromium", "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"),
                *(f"--screenshot={target}", f"--window-size={wide},{high}", page.as_uri()),
            ],
            check=True,
            capture_output=True,
        )


for name, (capture, moment_ns, keys) in SHOTS.items():
    picture(PICTURES / name, asyncio.run(shoot(capture, moment_ns, keys)))
plan = load_plan(plan_file("as_built"))
(PICTURES / "drawing.svg").write_text(drawing(plan), encoding="utf-8")
