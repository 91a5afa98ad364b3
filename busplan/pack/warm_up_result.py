"""What the warm-up test finds: values only, for tables, texts and findings alike."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from busplan.answers import Answer, Interval, together
from busplan.pack.flow_change import FlowChange
from busplan.pack.thermal_groups import LateBox
from busplan.pack.warm_up_power import Power

LOADED_A = 40.0
"""Current (RMS) from which on the cells warm themselves too much to clear a module ..."""
LOADED_PER_H = 0.4
"""... or this part of their capacity in an hour, where that is stated and less."""


class ModuleVerdict(StrEnum):
    """What the test says of one module."""

    FOLLOWS = "with the others"
    SLOW = "slow"
    NO_FLOW = "little or no flow"
    STILL = "stands still"
    CHANGED = "flow changed"
    DISAGREE = "sensors disagree"
    OPEN = "cannot tell"

    @property
    def answer(self) -> Answer:
        """Good, bad or not shown."""
        if self is ModuleVerdict.FOLLOWS:
            return Answer.GOOD
        if self in (ModuleVerdict.OPEN, ModuleVerdict.DISAGREE):
            return Answer.NOT_SHOWN
        return Answer.BAD


class WarmUpState(StrEnum):
    """Whether the test allows a judgement."""

    JUDGED = "judged"
    NOTHING = "nothing warms or cools"
    TOO_SHORT = "too short"
    FEW = "too few modules"


@dataclass(frozen=True, slots=True)
class SensorOffset:
    """A sensor (``position`` from 1) that reads off by ``offset_k`` against its peers."""

    position: int
    offset_k: float
    interval: Interval


@dataclass(frozen=True, slots=True)
class ModuleWarmUp:
    """One module in the test; temperatures are means over its working sensors.

    ``exchange`` is relative to the peers and lies in ``interval`` (95 %). ``lag_k`` says how far it
    is behind them at the end, ``lag_s`` by how much longer its cells trail the liquid, with
    ``lag_interval``. ``stuck`` are sensor positions (from 1) that do not measure, ``moved`` whether
    its readings moved at all. ``disagree`` is the position of the later of two sensors
    that cannot both be right.
    """

    module: str
    verdict: ModuleVerdict
    start_c: float
    end_c: float
    rate_k_min: float
    lag_k: float
    lag_s: float
    lag_interval: Interval
    exchange: float
    interval: Interval
    moved: bool
    sensors: int
    stuck: tuple[int, ...] = ()
    offsets: tuple[SensorOffset, ...] = ()
    change: FlowChange | None = None
    disagree: int | None = None

    @property
    def answer(self) -> Answer:
        """Good, bad or not shown."""
        return self.verdict.answer

    @property
    def uncertainty(self) -> float:
        """Standard uncertainty of the exchange, by the wider side of its interval; NaN: unknown."""
        if not self.interval.known:
            return float("nan")
        wide = max(self.interval.high - self.exchange, self.exchange - self.interval.low)
        return wide / 1.96


@dataclass(frozen=True, slots=True)
class WarmUp:
    """The judgement over one span of the capture, and what it held for.

    ``peer_rise_k`` is how far the median module moved, ``steps`` the same in steps of the sensors.
    ``power`` says what this test would have shown; ``more_minutes`` how much longer it must last at
    this rate to show a third of the flow (0: it does; ``None``: more time alone will not do).
    ``late`` are boxes that come later as a whole. ``odd``: modules taken as alike are not.
    ``current_a`` is the current's RMS, NaN when it is not known; from ``loaded_a`` on the cells
    warm themselves, and where it is not known ``moved`` says that they moved as under load.
    ``told`` is the judgement in a sentence or two, ``missing`` what was not shown and what would
    show it (``""``: nothing),
    ``would_have_shown`` the power in words.
    """

    state: WarmUpState
    start_s: float
    stop_s: float
    heating: bool
    level_start: bool
    liquid_known: bool
    peer_rise_k: float
    steps: float
    rate_k_min: float
    current_a: float
    more_minutes: float | None
    power: tuple[Power, ...]
    late: tuple[LateBox, ...]
    odd: bool
    few: tuple[str, ...]
    modules: tuple[ModuleWarmUp, ...]
    loaded_a: float = LOADED_A
    moved: bool = False
    told: str = ""
    missing: str = ""
    would_have_shown: str = ""

    @property
    def way(self) -> str:
        """``warm-up`` or ``cool-down``."""
        return "warm-up" if self.heating else "cool-down"

    @property
    def answer(self) -> Answer:
        """Good only when every module was shown to come with the others."""
        return together(m.answer for m in self.modules)

    @property
    def behind(self) -> tuple[ModuleWarmUp, ...]:
        """Modules that are slow or stand still, or whose flow changed."""
        return tuple(m for m in self.modules if m.answer is Answer.BAD)

    @property
    def loaded(self) -> bool:
        """Whether the cells carried so much that they warmed themselves, or may have."""
        return self.moved or self.current_a >= self.loaded_a

    @property
    def foreseen(self) -> bool:
        """Whether a longer test was looked at."""
        return not self.loaded and self.state in (WarmUpState.JUDGED, WarmUpState.TOO_SHORT)
