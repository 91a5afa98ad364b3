"""The proposal beside today's plan: what is refused is solved again, and the plan is written."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from pathlib import Path

import pytest
from support.pilot import screen_text
from textual.widgets import Input

from busplan.allot.whole import Limits, Proposal, propose
from busplan.errors import UsageError
from busplan.plan.reader import OpenPlan
from busplan.screens.proposal_app import ProposalApp

PLAN = """
[vehicle]
name = "Cart \\u001b[2J[red]"
invented = true
[network.fast]
bit_rate = 500_000
bit_rates = [500_000]
[network.slow]
bit_rate = 250_000
bit_rates = [250_000]
[part.horn]
bit_rates = [250_000]
[[part.horn.message]]
name = "HornState"
identifier = 0x100
bytes = 8
cycle_ms = 100
[part.lamp]
bit_rates = [500_000]
[[part.lamp.message]]
name = "LampState"
identifier = 0x101
bytes = 8
cycle_ms = 100
[node.horn]
part = "horn"
on = ["fast"]
[node.lamp]
part = "lamp"
on = ["fast"]
"""


def made(folder: Path, plan: str = PLAN) -> tuple[ProposalApp, OpenPlan, list[Sequence[str]]]:
    path = folder / "cart.toml"
    path.write_text(plan, "utf-8")
    opened, asked = OpenPlan(path), []

    def solve(
        refused: Sequence[str], stop: Callable[[], bool], told: object, times: int
    ) -> Proposal:
        asked.append(tuple(refused))
        return propose(
            opened.vehicle, opened.changed, refused=refused, limits=Limits(60, time.monotonic, stop)
        )

    def write(found: Proposal, out: Path) -> None:
        if out.exists():
            raise UsageError(f"{out}: exists already")
        out.write_text("written", "utf-8")

    return ProposalApp(opened.vehicle.label, solve, write), opened, asked


async def solved(app: ProposalApp, pilot: object, *refused: str) -> str:
    for _ in range(1000):
        await pilot.pause(0.01)  # type: ignore[attr-defined]
        if not app.solving and app.view is not None and app.view.found.refused == refused:
            break
    await pilot.pause()  # type: ignore[attr-defined]
    return screen_text(app)


def keys(app: ProposalApp) -> str:
    return str(app.query_one("#keys").render())


@pytest.mark.parametrize("size", [(80, 24), (160, 45)])
async def test_a_change_is_refused_and_allowed_again(tmp_path: Path, size: tuple[int, int]) -> None:
    app, _, asked = made(tmp_path)
    async with app.run_test(size=size) as pilot:
        first = await solved(app, pilot)
        assert "1 change, cost 1.00; no cheaper plan exists" in " ".join(first.split())
        assert "the plan so changed: " in first
        assert "+    1.00  horn moves from fast to slow" in first
        assert "horn speaks 250 kbit/s only, fast runs at 500" in " ".join(first.split())
        assert "kbit/s" in first
        if size[0] > 100:
            assert "    + horn" in first
            assert "    - horn" in first
        assert "\x1b" not in first
        assert "[red]" in first
        assert "High voltage can kill" in first
        name = app.view.changes[0].refuse  # type: ignore[union-attr]
        await pilot.press("space")
        second = await solved(app, pilot, name)
        assert asked == [(), (name,)]
        assert "no placement that the plan allows works." in " ".join(second.split())
        assert f"x refused  {name}" in second
        assert "space allows it again" in second
        await pilot.press("w")
        assert not app.screen.has_class("writing"), "there is nothing to write"
        await pilot.press("space")
        third = await solved(app, pilot)
        assert "+    1.00  horn moves from fast to slow" in third
        assert asked[-1] == ()


async def test_a_plan_that_works_is_not_called_changed(tmp_path: Path) -> None:
    app, _, _ = made(tmp_path, PLAN.replace('"horn"\non = ["fast"]', '"horn"\non = ["slow"]'))
    async with app.run_test(size=(80, 24)) as pilot:
        first = await solved(app, pilot)
        assert "the plan as it is: " in first
        assert "so changed" not in first


async def test_the_changed_plan_is_written_to_a_new_file_only(tmp_path: Path) -> None:
    app, _, _ = made(tmp_path)
    out = tmp_path / "new.toml"
    async with app.run_test(size=(80, 24)) as pilot:
        await solved(app, pilot)
        for told in (f"written: {out}", "exists already"):
            await pilot.press("w")
            app.query_one(Input).value = str(out)
            await pilot.press("enter")
            await pilot.pause()
            assert told[:40] in screen_text(app).replace("\n", "") or out.exists()
        assert out.read_text("utf-8") == "written"
        assert "exists already" in str(app.query_one("#said").render())
        await pilot.press("w", "escape")
        assert not app.screen.has_class("writing")


async def test_escape_ends_the_search_with_the_best_so_far(tmp_path: Path) -> None:
    path = tmp_path / "cart.toml"
    path.write_text(PLAN, "utf-8")
    opened = OpenPlan(path)

    def slow(
        refused: Sequence[str], stop: Callable[[], bool], told: Callable[..., None], times: int
    ) -> Proposal:
        for _ in range(3000):
            told(2.0, 1.0, "placing")
            if stop():
                return propose(opened.vehicle, opened.changed)
            time.sleep(0.01)
        raise UsageError("nobody ended it")

    app = ProposalApp("Cart", slow, lambda found, out: None)
    async with app.run_test(size=(80, 24)) as pilot:
        await pilot.pause(0.1)
        assert "placing: best 2.00, at least 1.00; esc ends it" in screen_text(app)
        assert "esc ends the search" in keys(app)
        assert "space" not in keys(app)
        await pilot.press("space")
        assert app.solving, "nothing is refused while it searches"
        await pilot.press("escape")
        assert "horn moves" in await solved(app, pilot)


async def test_no_answer_is_told_whole_and_can_be_searched_for_longer(tmp_path: Path) -> None:
    path = tmp_path / "cart.toml"
    path.write_text(PLAN, "utf-8")
    opened, asked = OpenPlan(path), []

    def ended(refused: Sequence[str], stop: object, told: object, times: int) -> Proposal:
        asked.append(times)
        limits = Limits(60, time.monotonic, lambda: times == 1)
        return propose(opened.vehicle, opened.changed, limits=limits)

    app = ProposalApp("A cart with a long name, invented", ended, lambda found, out: None)
    async with app.run_test(size=(60, 24)) as pilot:
        first = " ".join((await solved(app, pilot)).split())
        assert "without a proof that there is none" in first
        assert "r search longer" in " ".join(keys(app).split())
        assert "w write" not in keys(app)
        await pilot.press("w", "space")
        assert "There is no change to refuse." in screen_text(app)
        await pilot.press("r")
        assert "horn moves" in await solved(app, pilot)
        assert asked == [1, 2]
        assert "r search longer" not in keys(app)
        await pilot.press("w")
        assert "esc leaves it" in keys(app)


async def test_lines_fit_the_width_after_every_resize(tmp_path: Path) -> None:
    app, _, _ = made(tmp_path)
    async with app.run_test(size=(80, 24)) as pilot:
        await solved(app, pilot)
        for columns, rows in ((40, 16), (120, 30)):
            await pilot.resize_terminal(columns, rows)
            await pilot.pause()
            await pilot.pause()
            head = str(app.query_one("#head").render()).split("\n")
            assert {len(line) for line in head} == {columns}
            assert ("no cheaper" in head[0]) == (columns == 120)


async def test_a_search_that_cannot_begin_or_breaks_down_is_told() -> None:
    def refused(*_: object) -> Proposal:
        raise UsageError("there is no change of that name")

    def broken(*_: object) -> Proposal:
        raise MemoryError("no room")

    for solve, told in ((refused, "no change of that name"), (broken, "no room")):
        app = ProposalApp("Cart", solve, lambda found, out: None)
        async with app.run_test(size=(80, 24)) as pilot:
            for _ in range(100):
                await pilot.pause(0.02)
                if app.failure is not None:
                    break
        assert told in str(app.failure)
