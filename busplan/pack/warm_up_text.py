"""What the warm-up test says in words: the sentence, what is missing, and how a figure is told."""

from __future__ import annotations

from busplan.answers import Answer, Interval
from busplan.pack.exchange_verdict import NO_FLOW, SLOW
from busplan.pack.labels import clock, listed
from busplan.pack.thermal_groups import LIKE_PEERS
from busplan.pack.warm_up_result import ModuleVerdict, ModuleWarmUp, WarmUp, WarmUpState
from busplan.wording import counted, percent

FULL = 1.6
"""What reaches this is told as no more than that: the method ends there."""
MANY = 1 / 3


def exchange_text(value: float, interval: Interval) -> str:
    """``47 % (38 … 58 %)``; ``under 15 %`` where less is not told apart; ``-`` when unknown."""
    if not interval.known:
        return "-"
    if value < NO_FLOW:
        return f"under {percent(max(interval.high, NO_FLOW), 0)}"
    return f"{percent(value, 0)} ({interval_text(interval)})"


def interval_text(interval: Interval) -> str:
    """``38 … 58 %``, or ``over 38 %``."""
    if interval.high >= FULL:
        return f"over {percent(interval.low, 0)}"
    return f"{100 * interval.low:.0f} … {percent(interval.high, 0)}"


def sentence(warm_up: WarmUp) -> str:
    """The judgement in a sentence or two, with the span it holds for."""
    span = f"{clock(warm_up.start_s)} to {clock(warm_up.stop_s)}"
    if warm_up.state is WarmUpState.NOTHING:
        return (
            f"nothing warms up or cools down: the median module moved "
            f"{abs(warm_up.peer_rise_k):.1f} K, {span}"
        )
    if warm_up.state is WarmUpState.TOO_SHORT:
        return _begun(warm_up, span)
    if warm_up.state is WarmUpState.FEW:
        return f"too few modules to compare, {span}"
    told = [_told(m) for m in warm_up.behind]
    told += [
        f"box {b.name} comes {b.lag_s:.0f} s later than the others as a whole (a longer pipe or "
        f"less flow, this test cannot part them)"
        for b in warm_up.late
    ]
    follow = [m for m in warm_up.modules if m.answer is Answer.GOOD]
    what = "" if told else "exchange "  # beside one that is behind it stands there already
    if follow:
        least = min(m.interval.low for m in follow)
        told.append(
            f"{len(follow)} of {len(warm_up.modules)} with the others ({what}over "
            f"{percent(least, 0)}), {span}"
        )
    open_ = [m.module for m in warm_up.modules if m.answer is Answer.NOT_SHOWN]
    if open_:
        told.append(f"not shown: {listed(open_)}")
    if follow and what:
        told.append("what all share, such as a weak pump, shows in none")
    return "; ".join(told)


def _begun(warm_up: WarmUp, span: str) -> str:
    """A test that has begun, and shows no more than that."""
    moved = [m for m in warm_up.modules if m.moved]
    waiting = [m.module for m in warm_up.modules if not m.moved]
    if waiting and len(moved) > len(waiting):
        begun = (
            f"{len(moved)} of {counted(len(warm_up.modules), 'module')} have begun to move, "
            f"{listed(waiting)} not yet"
        )
    elif waiting:
        begun = f"{len(moved)} of {counted(len(warm_up.modules), 'module')} have begun to move"
    else:
        begun = "all modules come along together as far as this shows"
    return (
        f"{begun}, {span}; the median module moved {abs(warm_up.peer_rise_k):.1f} K "
        f"({counted(round(warm_up.steps), 'step')} of its sensor), too little to judge the flow"
    )


def _told(module: ModuleWarmUp) -> str:
    if module.verdict is ModuleVerdict.STILL:
        return (
            f"{module.module} stands still: no flow or a stuck sensor, this test cannot part them"
        )
    if module.verdict is ModuleVerdict.CHANGED and module.change is not None:
        return f"{module.module} {change_text(module)}"
    where = exchange_text(module.exchange, module.interval)
    if module.verdict is ModuleVerdict.NO_FLOW:
        return f"{module.module} little or no flow (exchange {where})"
    return f"{module.module} slow: exchange {where}, flow at most that"


def change_text(module: ModuleWarmUp) -> str:
    """What changed, and when."""
    change = module.change
    assert change is not None
    at = clock(change.time_s)
    before, after = (_share(v) for v in (change.before, change.after))
    if change.clears:
        return (
            f"got its flow at about {at} (exchange {before} before, {after} after): air may have "
            "cleared"
        )
    if change.after < NO_FLOW:
        return f"moves no more since about {at}: flow stopped or the sensor is stuck since"
    return f"lost flow at about {at} (exchange {before} before, {after} after)"


def _share(value: float) -> str:
    if value >= LIKE_PEERS:
        return "that of its peers"
    return f"under {percent(NO_FLOW, 0)}" if value < NO_FLOW else f"about {percent(value, 0)}"


def missing(warm_up: WarmUp) -> str:
    """What was not shown, why, and what would show it; with what the test could have shown."""
    if warm_up.state is WarmUpState.NOTHING:
        return (
            f"to compare modules they must move by {LEAST} steps of their sensors at 0.1 K/min or "
            f"faster; heat the loop with the pumps on"
        )
    parts = []
    if warm_up.state is WarmUpState.FEW:
        parts.append("fewer than 3 modules were heard: there is nobody to compare with")
    elif warm_up.few:
        parts.append(
            f"{listed(list(warm_up.few))}: fewer than 3 modules at that place and of that kind"
        )
    if any(m.answer is Answer.NOT_SHOWN for m in warm_up.modules):
        parts += _why_open(warm_up)
    if warm_up.moved:
        parts.append(
            "no current is known, and the cells moved as under load: they may have warmed "
            "themselves, so none is cleared; repeat with the pack at rest"
        )
    elif warm_up.loaded:
        parts.append(
            f"the cells carried {warm_up.current_a:.0f} A (RMS) and warmed themselves, so none is "
            f"cleared; repeat with the pack at rest"
        )
    if warm_up.odd:
        parts.append(
            "the modules differ as if they were of several kinds or in series: say so in the plan "
            "(kind, loop_position) to compare like with like"
        )
    return "; ".join(parts)


LEAST = 2.5


def _why_open(warm_up: WarmUp) -> list[str]:
    parts = []
    dumb = [m.module for m in warm_up.modules if not m.sensors]
    if dumb:
        parts.append(f"no sensor of {listed(dumb)} was heard and believed")
    differ = [m.module for m in warm_up.modules if m.verdict is ModuleVerdict.DISAGREE]
    if differ:
        parts.append(f"the sensors of {listed(differ)} disagree")
    for module in warm_up.modules:
        doubtful = module.verdict is ModuleVerdict.OPEN and module.interval.low < SLOW
        if doubtful and warm_up.state is WarmUpState.JUDGED and len(parts) < 4:
            where = exchange_text(module.exchange, module.interval)
            parts.append(f"{module.module} may lie on either side: exchange {where}")
    if warm_up.more_minutes:
        parts.append(
            f"{warm_up.more_minutes:.0f} min more at this rate would show a module with a third of "
            f"its flow"
        )
    elif warm_up.more_minutes is None and warm_up.foreseen:
        parts.append("more time at this rate would not do: start colder or heat faster")
    if not warm_up.level_start:
        parts.append(
            "the capture begins in the middle of it: record half a minute before the heat comes, "
            "which parts a sensor that reads wrong from a module that is late"
        )
    return parts


def power_text(warm_up: WarmUp) -> str:
    """What this test would have shown, in chances; ``""`` when that is not known."""
    names = {0: "half", 1: "a third"}
    told = [
        f"a module with {names[i]} of its flow (exchange {percent(p.exchange, 0)}) with "
        f"probability {_chance(p.chance)}"
        for i, p in enumerate(warm_up.power)
    ]
    if not told:
        return ""
    return f"this test would have shown {' and '.join(told)}; else it leaves such a module open"


def _chance(value: float) -> str:
    if value > 0.97:
        return "over 0.9"
    return "under 0.1" if value < 0.05 else f"{value:.1f}"


def cautions(warm_up: WarmUp) -> tuple[str, ...]:
    """What no such test says, whatever it finds."""
    told = [
        "Exchange is relative to the peers and never flow: what all share, such as a weak pump, is "
        "not in it.",
    ]
    behind = len(warm_up.behind)
    if behind >= 2 and behind >= MANY * len(warm_up.modules) * 0.5:
        told.append(
            "Several modules are late alike: a starved majority looks like a fast minority, and "
            "modules of another kind or further along a branch look slow."
        )
    return tuple(told)
