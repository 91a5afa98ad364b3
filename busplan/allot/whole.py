"""The whole answer: placement and identifiers, judged by the checks of the changed plan."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

from busplan.allot.applying import apply_placement
from busplan.allot.asking import Asked, ask
from busplan.allot.conflict import Conflict, find_conflict
from busplan.allot.fewest import Waited
from busplan.allot.identifiers import Allotment, allot_identifiers, networks_wrong
from busplan.allot.networks import may_change
from busplan.allot.problem import Placement, cost, residents
from busplan.allot.programme import Programme
from busplan.allot.search import Found, Verdict, search
from busplan.allot.settling import Settled, settle
from busplan.allot.wants import IN_TIME, Want
from busplan.checks.registry import run_checks
from busplan.errors import UsageError
from busplan.findings import Finding, by_weight
from busplan.plan.change import Change, set_identifiers
from busplan.plan.movable import ANY
from busplan.plan.problems import suggestion
from busplan.plan.reader import Changed
from busplan.plan.vehicle import Stream, Vehicle

CLOSE = 1.25
"""Other answers are told when they cost no more than this many times the best one."""
_OTHERS = 2

Rebuild = Callable[[Sequence[Change]], Changed]
"""The plan changed, for what its document becomes and what the vehicle is then."""


@dataclass(frozen=True, slots=True)
class Limits:
    """How long and for what to search. ``seconds`` by the ``clock`` [s], ``None``: till it ends.

    ``stop``: asked between steps whether to end with the best so far. ``told`` hears the cost of
    the best so far (``None``: none) and the bound, and what is being done. ``waited`` runs the
    solver, and gives ``None`` when it did not wait for its end.
    """

    seconds: float = 60.0
    clock: Callable[[], float] | None = None
    stop: Callable[[], bool] = lambda: False
    told: Callable[[float | None, float, str], None] = lambda best, bound, doing: None
    waited: Waited = lambda work: work()


NO_LIMITS = Limits()


@dataclass(frozen=True, slots=True, repr=False)
class Answer:
    """One changed plan. ``cost`` is that of all its changes; ``identifiers`` the search in them.

    ``findings`` are those of the changed plan, heaviest first.
    """

    asked: Asked
    placement: Placement
    settled: Settled
    changed: Changed
    identifiers: Allotment | None
    cost: float
    findings: tuple[Finding, ...] = ()

    @property
    def vehicle(self) -> Vehicle:
        """The vehicle of the changed plan."""
        return self.changed.after


@dataclass(frozen=True, slots=True, repr=False)
class Proposal:
    """What was found for a plan.

    ``best`` is ``None`` when no answer was found; ``bound``: none costs less; ``others``: different
    ones that cost little more; ``conflict``: why there is none, when that is so.
    """

    asked: Asked
    best: Answer | None
    bound: float
    others: tuple[Answer, ...] = ()
    conflict: Conflict | None = None
    refused: tuple[str, ...] = ()
    stopped: bool = False
    """Whether the search ended before its end, by time or by the user."""
    refuted: int = 0
    """How often a placement was ruled out that only the checks of the whole plan refuse: proof for
    itself, and no part of the bound."""
    want: Want = IN_TIME
    fault_interval_ns: int | None = None
    found: Found | None = None
    """What the search for a placement learnt."""

    @property
    def before(self) -> Vehicle:
        """The vehicle of the plan as it is."""
        return self.asked.vehicle

    @property
    def words(self) -> str:
        """What every message is in an answer."""
        faults = self.fault_interval_ns
        if faults is None or self.want.every_ns:
            return self.want.words
        errors = f"a bus error each {faults / 1e6:g} ms on every network"
        if self.want.kind == "growth":
            return f"{self.want.words}, and {errors}"
        return f"in time with {errors}"

    @property
    def proven(self) -> bool:
        """Whether no answer costs less, but for a part in a thousand."""
        return self.best is not None and self.gap <= 1e-3

    @property
    def gap(self) -> float:
        """How much less another answer could cost at most, as a part of the cost of the best."""
        if self.best is None or self.best.cost <= 0:
            return 0.0
        return max(0.0, self.best.cost - self.bound) / self.best.cost

    def __repr__(self) -> str:
        told = "no answer" if self.best is None else f"cost {self.best.cost:.2f}"
        return f"<Proposal for {self.before.name!r}: {told}, bound {self.bound:.2f}>"


_IDENTIFIER = "identifier "


def identifier_name(stream: Stream) -> str:
    """What the change of a message's identifier is refused by."""
    return f"{_IDENTIFIER}{stream.node}/{stream.path[2]}"


def _require(asked: Asked, vehicle: Vehicle, refused: Sequence[str]) -> None:
    """One error for changes that nobody proposes."""
    names = list(Programme(asked.question).choices())
    names += [identifier_name(s) for s in vehicle.streams if may_change(vehicle, s)]
    wrong = [name for name in refused if name not in names]
    if wrong:
        near = (f'there is no change "{n}" to refuse{suggestion(n, names)}' for n in wrong)
        raise UsageError(*near)


def _keeping(vehicle: Vehicle, kept: frozenset[str]) -> Vehicle:
    return replace(vehicle, freedom=replace(vehicle.freedom, kept=kept))


def _rebuilding(rebuild: Rebuild, kept: frozenset[str]) -> Rebuild:
    """The plan changed, the identifiers of these messages still kept."""

    def again(changes: Sequence[Change]) -> Changed:
        changed = rebuild(changes)
        return changed._replace(after=_keeping(changed.after, kept))

    return again


def propose(
    vehicle: Vehicle,
    rebuild: Rebuild,
    *,
    want: Want = IN_TIME,
    fault_interval_ns: int | None = None,
    refused: Sequence[str] = (),
    identifiers: bool = True,
    others: bool = True,
    known: Found | None = None,
    first: bool = False,
    limits: Limits = NO_LIMITS,
) -> Proposal:
    """The cheapest changes that make every check of a plan pass that placement can mend.

    ``want``: what every message shall bear beside; ``fault_interval_ns`` [ns]: with a bus error so
    often on every network. ``known``: what was learnt for something less, and an answer that works.
    ``first``: the first answer will do, whatever it costs. ``refused`` names changes that may not
    be made (:class:`busplan.allot.steps.Step`); one that cannot be made anyway is a
    :class:`UsageError`. ``identifiers`` false: those of single messages stay.
    """
    plain = vehicle
    kept = frozenset(r.removeprefix(_IDENTIFIER) for r in refused if r.startswith(_IDENTIFIER))
    if not identifiers:
        kept = frozenset(f"{s.node}/{s.path[2]}" for s in vehicle.streams)
    if kept:
        vehicle, rebuild = _keeping(vehicle, kept), _rebuilding(rebuild, kept)
    told, refused = tuple(refused), [r for r in refused if not r.startswith(_IDENTIFIER)]
    asked = ask(vehicle, want, fault_interval_ns)
    if told:
        _require(asked, plain, told)
    end = None if limits.clock is None else limits.clock() + limits.seconds
    run = _Run(asked, rebuild, want, fault_interval_ns, limits, end, first)
    found = run.search(refused=refused, found=known)
    stopped = run.over() and not found.proven
    if found.placement is None:
        conflict = None
        if found.impossible and not first:
            limits.told(None, 0.0, "looking for the parts that cannot live together")
            conflict = find_conflict(asked.question, found.cuts, run.left, run.over, refused)
        return Proposal(
            asked,
            None,
            found.bound,
            conflict=conflict,
            refused=told,
            stopped=stopped,
            want=want,
            fault_interval_ns=fault_interval_ns,
            found=found,
        )
    best = run.answer(run.tidied(found.placement))
    more = tuple(run.others(found, refused)) if others and best.cost > 0 and not first else ()
    refuted = sum(not cut.sound for cut in found.cuts)
    bound = round(min(found.bound, best.cost), 9)
    return Proposal(
        asked,
        best,
        bound,
        more,
        refused=told,
        stopped=stopped,
        refuted=refuted,
        want=want,
        fault_interval_ns=fault_interval_ns,
        found=found,
    )


def judged(asked: Asked, rebuild: Rebuild, placement: Placement) -> Answer:
    """A placement as an answer, with what the checks say to its plan, in time or not."""
    run = _Run(asked, rebuild, IN_TIME, None, NO_LIMITS, None)
    run.accept(placement)
    return run.answer(placement)


@dataclass
class _Run:
    asked: Asked
    rebuild: Rebuild
    want: Want
    faults: int | None
    limits: Limits
    end: float | None
    first: bool = False
    accepted: bool = False
    tried: dict[Placement, Answer] = field(default_factory=dict)

    def left(self) -> float:
        """Seconds that are left."""
        if self.end is None or self.limits.clock is None:
            return 1e9
        return self.end - self.limits.clock()

    def over(self) -> bool:
        """Whether to end with the best so far."""
        return self.limits.stop() or self.left() <= 0 or (self.first and self.accepted)

    def search(
        self,
        *,
        refused: Sequence[str],
        known: Sequence[Placement] = (),
        found: Found | None = None,
    ) -> Found:
        """The cheapest placement; unlike those that are ``known``, when there are any."""
        wanted = "" if self.want == IN_TIME else f", {self.want.short}"
        doing = f"placing{wanted}"

        def told(best: float | None, bound: float) -> None:
            if known and found is not None:  # what is being looked for costs more
                self.limits.told(found.cost, found.bound, "looking for another answer")
            else:
                self.limits.told(best, bound, doing)

        return search(
            self.asked.question,
            self.accept,
            left=self.left,
            enough=self.over,
            refused=refused,
            known=found,
            other_than=known,
            dearest=CLOSE * found.cost if known and found is not None else float("inf"),
            waited=self.limits.waited,
            begin=found.placement if found is not None and not known else None,
            told=told,
        )

    def others(self, found: Found, refused: Sequence[str]) -> list[Answer]:
        """Different answers that cost little more."""
        answers: list[Answer] = []
        assert found.placement is not None
        known = [found.placement]
        while len(answers) < _OTHERS and not self.over():
            other = self.search(refused=refused, known=known, found=found)
            if other.placement is None or other.cost > CLOSE * found.cost + 1e-6:
                break
            known.append(other.placement)
            answers.append(self.answer(other.placement))
        return sorted(answers, key=lambda a: a.cost)

    def tidied(self, placement: Placement) -> Placement:
        """The same without bit rates that are set for nothing: on networks where no node is today
        that costs nothing, so the search does not care."""
        for k, net in enumerate(self.asked.question.nets):
            idle = not net.new and not residents(self.asked.question, k)
            if not idle or placement.rates[k] == net.rate:
                continue
            rates = tuple(net.rate if n == k else b for n, b in enumerate(placement.rates))
            guests = [
                u
                for u, at in zip(self.asked.question.units, placement.where, strict=True)
                if at == k
            ]
            tried = replace(placement, rates=rates)
            if all(net.rate in u.rates for u in guests) and not self.accept(tried).late:
                before, after = self.answer(placement), self.answer(tried)
                worse = {f.code for f in after.findings} - {f.code for f in before.findings}
                if not worse and after.cost <= before.cost:
                    placement = tried
        return placement

    def accept(self, placement: Placement) -> Verdict:
        """What the whole plan says to a placement."""
        answer = self.tried.get(placement) or self._tried(placement)
        self.tried[placement] = answer
        number = {net.name: k for k, net in enumerate(self.asked.question.nets)}
        late = {number[n] for n in networks_wrong(answer.vehicle, self.want, self.faults)}
        for what in answer.settled.missing:
            units = self.asked.question.units
            late |= {placement.where[i] for i, u in enumerate(units) if u.node in what.split("/")}
        found = answer.identifiers
        self.accepted = self.accepted or not late
        return Verdict(
            changed=0 if found is None else len(found.changes),
            changes={}
            if found is None
            else {number[a.network]: a.bound for a in found.networks if a.changes},
            late=tuple(sorted(late)),
        )

    def _tried(self, placement: Placement) -> Answer:
        asked, question = self.asked, self.asked.question
        settled = settle(question, placement, self._reserved())
        change = apply_placement(asked, placement, settled)
        changed = self.rebuild([change])
        found = None
        total = cost(question, placement)
        if networks_wrong(changed.after, self.want, self.faults):

            def again(identifiers: Mapping[str, int]) -> Vehicle:
                return self.rebuild([change, set_identifiers(identifiers)]).after

            found = allot_identifiers(
                changed.after,
                again,
                want=self.want,
                fault_interval_ns=self.faults,
                seconds=min(10.0, max(self.left() / 4, 0.5)),
                clock=self.limits.clock,
                stop=self.limits.stop,
                waited=self.limits.waited,
            )
            if found.changes:
                identifiers = {c.stream.label: c.becomes for c in found.changes}
                changed = self.rebuild([change, set_identifiers(identifiers)])
            total += question.costs.identifier * len(found.changes)
        return Answer(asked, placement, settled, changed, found, total)

    def _reserved(self) -> dict[int, tuple[tuple[int, int], ...]]:
        networks = self.asked.vehicle.freedom.networks
        return {
            k: networks.get(net.name, ANY).reserved
            for k, net in enumerate(self.asked.question.nets)
        }

    def answer(self, placement: Placement) -> Answer:
        """An answer that was accepted, with the findings of its plan."""
        answer = self.tried[placement]
        return replace(answer, findings=tuple(by_weight(run_checks(answer.vehicle))))
