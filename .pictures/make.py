"""Makes replay.png anew: python .pictures/make.py (needs chromium)."""

import asyncio
import re
import subprocess
import tempfile
from pathlib import Path

from busplan.capture.capture import apply_plan
from busplan.capture.read import read_capture
from busplan.demo.captures import cached_capture
from busplan.demo.files import plan_file
from busplan.plan.reader import load_plan
from busplan.replay.opening import replay_of
from busplan.screens.app import ReplayApp

MOMENT_NS = 101_900_000_000
SIZE = (120, 35)


async def shoot() -> str:
    """The board in the demo's drive as SVG."""
    vehicle = load_plan(plan_file("as_built"))
    capture = read_capture(cached_capture("drive", seed=1))
    replay = replay_of(apply_plan(capture, vehicle), vehicle)
    app = ReplayApp(replay, start_ns=MOMENT_NS, now=lambda: 0)
    async with app.run_test(size=SIZE) as pilot:
        while not app.replay.judged:
            await pilot.pause(0.1)
        await pilot.press("7")
        await pilot.pause(0.5)
        return app.export_screenshot(title="busplan replay (invented demo)")


target = Path(__file__).parent / "replay.png"
# Without this attribute the converter drops blanks at the ends of texts; the buttons of a window
# that the drawing comes with are nobody's here.
drawing = asyncio.run(shoot()).replace("<text ", '<text xml:space="preserve" ')
drawing = re.sub(r"<circle[^>]*/>", "", drawing)
wide, high = (round(float(n)) for n in re.findall(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', drawing)[0])
with tempfile.TemporaryDirectory() as folder:
    page = Path(folder) / "page.html"
    page.write_text(f'<body style="margin:0;background:#0F1B20">{drawing}</body>', "utf-8")
    subprocess.run(
        [
            *("chromium", "--headless", "--no-sandbox", "--disable-gpu", "--hide-scrollbars"),
            *(f"--screenshot={target}", f"--window-size={wide},{high}", page.as_uri()),
        ],
        check=True,
        capture_output=True,
    )
