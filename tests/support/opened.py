"""A capture file and its plan as a replay of which everything is known."""

from pathlib import Path

from busplan.capture.capture import apply_plan
from busplan.capture.read import read_capture
from busplan.plan.reader import load_plan
from busplan.replay.opening import replay_of
from busplan.replay.replay import Replay


def open_replay(capture: Path, plan: Path) -> Replay:
    vehicle = load_plan(plan)
    return replay_of(apply_plan(read_capture(capture), vehicle), vehicle)
