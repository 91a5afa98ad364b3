"""A warm-up that was too short tells how much longer it must last where it says what to do.

The shipped warm-up by heat gun that ends early (invented).
"""

from __future__ import annotations

from busplan.demo.captures import demo_vehicle, make_capture
from busplan.pack.judging import judge_frames
from busplan.pack.whole import judge_whole


def test_the_next_step_says_for_how_long_to_heat() -> None:
    report = judge_frames(make_capture("gun-warm-up-early"), demo_vehicle("asleep")).report
    assert report.warm_up is not None
    minutes = report.warm_up.more_minutes
    assert minutes
    assert report.span_s + 60.0 * minutes >= 300.0
    step = judge_whole(report).steps[-1]
    assert step.startswith("To show the rest: start cold")
    assert step.endswith(f"; heat {minutes:.0f} min longer than here.")
