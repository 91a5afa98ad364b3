"""From ``[[behaviour]]`` and ``[role]`` to values: names looked up, states turned into numbers."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, get_args

from busplan.definitions.model import Signal
from busplan.plan.behaviour_spec import BehaviourSpec, ClaimSpec
from busplan.plan.claims import (
    Behaviour,
    Claim,
    Compare,
    Counts,
    Follows,
    Held,
    Inside,
    InState,
    Operand,
    Order,
    Several,
    Silent,
    negated,
)
from busplan.plan.locate import KeyPath
from busplan.plan.packlayout import Finder
from busplan.plan.problems import Problems, suggestion
from busplan.plan.ready import PRACTICE, READY, SIGNALS, STATES
from busplan.plan.schema import PlanSpec
from busplan.plan.select import selector_pattern
from busplan.plan.validate import read_table
from busplan.plan.vehicle import PackLayout, SignalAddress, Stream

MOST_BEHAVIOURS = 1000
MOST_PARTS = 2000
"""Claims within one behaviour, roles put in: no rule that a person wrote has more."""

_SUBJECTS = ("signal", "message", "role", "all", "any", "not")
_ORDERS: tuple[Order, ...] = get_args(Order)
_TESTS = (*_ORDERS, "between", "outside", "is", "is_not", "follows", "counts_as")
_NEEDS = {
    "plus": (*_ORDERS,),
    "delay_s": (*_ORDERS, "follows"),
    "tolerance": ("follows", "counts_as"),
}
"""Keys that only mean something beside one of these."""
_OR_READY = ', or take up a ready one: ready = "NAME"'


class _WrongClaimError(Exception):
    """What is wrong has been told."""


@dataclass(slots=True)
class Roles:
    """``[role]``: what the plan calls each role, with where it stands."""

    given: Mapping[str, str | ClaimSpec]
    quantities: Mapping[str, SignalAddress]
    broken: frozenset[str] = frozenset()


def ns(seconds: float | None) -> int | None:
    """Seconds of the plan in nanoseconds."""
    return None if seconds is None else round(seconds * 1e9)


def resolve_behaviours(
    spec: PlanSpec,
    streams: Sequence[Stream],
    pack: PackLayout | None,
    problems: Problems,
    hidden: Callable[[str | None], bool],
) -> tuple[Behaviour, ...]:
    """The behaviours of a plan over what its nodes send; mistakes go to ``problems``.

    ``hidden`` tells whether a broken table may hide what a node sends.
    """
    if len(spec.behaviours) > MOST_BEHAVIOURS:
        problems.add(("behaviour",), f"more than {MOST_BEHAVIOURS} behaviours")
        return ()
    maker = _Maker(
        streams,
        Roles(
            spec.roles,
            pack.quantities if pack else {},
            frozenset(spec.broken.get("role", ())),
        ),
        problems,
        hidden,
    )
    for name in spec.roles:
        maker.check_role(name)
    found: list[Behaviour] = []
    for index, table in spec.behaviours.items():
        made = maker.behaviour(index, table)
        if made is None:
            continue
        if any(made.name == other.name for other in found):
            problems.add(
                ("behaviour", index),
                f'the name "{made.name}" is there twice; give this one a name of its own',
            )
        found.append(made)
    return tuple(found)


class _Maker:
    """Makes claims and behaviours, telling every mistake with its place."""

    def __init__(
        self,
        streams: Sequence[Stream],
        roles: Roles,
        problems: Problems,
        hidden: Callable[[str | None], bool],
    ) -> None:
        self.streams = streams
        self.roles = roles
        self.problems = problems
        self.hidden = hidden
        self.finder = Finder(streams, None, problems, hidden)
        self.signals: dict[SignalAddress, Signal] = {
            s.address(signal.name): signal for s in streams for signal in s.message.signals
        }
        self.parts = 0

    def wrong(self, path: KeyPath, text: str) -> _WrongClaimError:
        self.problems.add(path, text)
        return _WrongClaimError()

    def check_role(self, name: str) -> None:
        """A role that nothing uses is held against the signals all the same."""
        meant = self.roles.given[name]
        path: KeyPath = ("role", name)
        self.parts = 0
        if isinstance(meant, ClaimSpec):
            try:
                self.claim(meant, path, (name,))
            except _WrongClaimError:
                return
        elif not self._streams_named(meant):
            self.finder.one(meant, path, None)

    def behaviour(self, index: int, spec: BehaviourSpec) -> Behaviour | None:
        path: KeyPath = ("behaviour", index)
        self.parts = 0
        try:
            if spec.ready is not None:
                return self._taken_up(spec, path)
            if spec.name is None:
                raise self.wrong(path, f'the key "name" is missing; it must be text{_OR_READY}')
            return self._own(spec, path)
        except _WrongClaimError:
            return None

    def _taken_up(self, spec: BehaviourSpec, path: KeyPath) -> Behaviour:
        """A ready one, with the plan's roles and settings."""
        ready = READY.get(spec.ready or "")
        if ready is None:
            self.problems.unknown((*path, "ready"), "ready behaviour", spec.ready or "", READY)
            raise _WrongClaimError
        more = [k for k in ("becomes", "while_", "require", "always", "never") if getattr(spec, k)]
        more += [k for k in ("within_s", "stays_s", "within_s_before") if getattr(spec, k)]
        if more:
            raise self.wrong(
                path,
                f'a ready behaviour brings its own "{more[0].rstrip("_")}"; settings go into '
                f"set = {{ {next(iter(ready.settings), 'NAME')} = NUMBER }}",
            )
        for name in spec.set:
            if name not in ready.settings:
                self.problems.unknown((*path, "set", name), "setting", name, ready.settings)
                raise _WrongClaimError
        missing = [r for r in ready.roles if not self._has_role(r)]
        if missing:
            if self.roles.broken & set(missing):
                raise _WrongClaimError
            kinds = "; ".join(f"{r}: {SIGNALS.get(r) or STATES[r]}" for r in missing)
            raise self.wrong(
                (*path, "ready"),
                f'"{ready.name}" needs what [role] does not name yet ({kinds})',
            )
        table = read_table(BehaviourSpec, ready.filled(spec.set), path, self.problems)
        if table is None:
            raise _WrongClaimError
        made = self._own(table, path)
        return replace(
            made,
            name=spec.name or ready.name,
            note=spec.note or ready.note,
            source=spec.source or PRACTICE,
            ready=ready.name,
        )

    def _own(self, spec: BehaviourSpec, path: KeyPath) -> Behaviour:
        if spec.set:
            raise self.wrong((*path, "set"), "settings are of a ready behaviour only")
        wanted = [k for k in ("require", "always", "never") if getattr(spec, k) is not None]
        if len(wanted) != 1:
            said = " and ".join(f'"{w}"' for w in wanted)
            raise self.wrong(
                path,
                f"has {said}; it takes one of them"
                if wanted
                else 'says nothing that must hold: one of "require", "always", "never"',
            )
        kind = wanted[0]
        moments = spec.becomes is not None
        if kind == "require" and not moments and spec.while_ is None:
            raise self.wrong(path, '"require" needs "becomes" or "while"; else write "always"')
        if kind == "always" and moments:
            raise self.wrong(path, '"always" is for spans; with "becomes" write "require"')
        self._check_times(spec, path, kind, moments)
        claims: dict[str, Claim | None] = {}
        for key, part in (("becomes", spec.becomes), ("while", spec.while_)):
            claims[key] = None if part is None else self.claim(part, (*path, key))
        required = self.claim(getattr(spec, kind), (*path, kind))
        return Behaviour(
            name=spec.name or "",
            require=negated(required) if kind == "never" else required,
            becomes=claims["becomes"],
            during=claims["while"],
            forbids=kind == "never",
            within_ns=ns(spec.within_s),
            stays_ns=ns(spec.stays_s),
            before_ns=ns(spec.within_s_before),
            note=spec.note,
            source=spec.source,
            line=self.problems.line(path),
        )

    def _check_times(self, spec: BehaviourSpec, path: KeyPath, kind: str, moments: bool) -> None:
        for key in ("within_s", "stays_s", "within_s_before"):
            if getattr(spec, key) is not None and not moments:
                raise self.wrong((*path, key), 'counts from a moment, so it needs "becomes"')
        if spec.within_s_before is not None and (spec.within_s or spec.stays_s):
            raise self.wrong((*path, "within_s_before"), "looks back; within_s and stays_s do not")
        if spec.stays_s is not None and kind == "never":
            raise self.wrong((*path, "stays_s"), 'has no meaning with "never": use within_s')

    def claim(self, spec: ClaimSpec, path: KeyPath, within: tuple[str, ...] = ()) -> Claim:
        """One claim; ``within`` are the roles it stands in."""
        self.parts += 1
        if self.parts > MOST_PARTS:
            raise self.wrong(path, f"more than {MOST_PARTS} claims in one behaviour")
        given = {f.alias or n: getattr(spec, n) for n, f in ClaimSpec.model_fields.items()}
        given = {k: v for k, v in given.items() if v is not None}
        subjects = [s for s in _SUBJECTS if s in given]
        if len(subjects) != 1:
            raise self.wrong(path, f"needs one of {', '.join(_SUBJECTS)}{_got(subjects)}")
        for_s = given.pop("for_s", None)
        subject = subjects[0]
        made = self._one_claim(subject, given, path, within)
        return made if for_s is None else Held(made, ns(for_s) or 0)

    def _one_claim(
        self, subject: str, given: dict[str, Any], path: KeyPath, within: tuple[str, ...]
    ) -> Claim:
        tests = [t for t in _TESTS if t in given]
        if subject == "signal":
            return self._signal_claim(given, tests, path)
        value = given.pop(subject)
        if subject == "message":
            silent = given.pop("silent_s", None)
            self._nothing_else(given, path, "a message")
            if silent is None:
                raise self.wrong(path, 'a message needs "silent_s"')
            return Silent(self._message(value, (*path, "message")), ns(silent) or 1)
        self._nothing_else(given, path, f'"{subject}"')
        if subject == "role":
            return self._role(value, (*path, "role"), within)
        if subject == "not":
            return negated(self.claim(value, (*path, "not"), within))
        parts = [self.claim(c, (*path, subject, i), within) for i, c in enumerate(value)]
        return Several(tuple(parts), any_of=subject == "any")

    def _nothing_else(self, given: Mapping[str, Any], path: KeyPath, what: str) -> None:
        if given:
            raise self.wrong((*path, next(iter(given))), f"does not go with {what}")

    def _signal_claim(self, given: dict[str, Any], tests: list[str], path: KeyPath) -> Claim:
        if "silent_s" in given:
            raise self.wrong((*path, "silent_s"), "is of a message, not of a signal")
        if len(tests) != 1:
            raise self.wrong(path, f"a signal needs one of {', '.join(_TESTS)}{_got(tests)}")
        test = tests[0]
        for key, beside in _NEEDS.items():
            if key in given and test not in beside:
                raise self.wrong((*path, key), f'does not go with "{test}"')
        signal = self._operand(given["signal"], (*path, "signal"))
        value, here = given[test], (*path, test)
        delay = ns(given.get("delay_s")) or 0
        if test in _ORDERS:
            bound = self._operand(value, here) if isinstance(value, str) else value
            if delay and not isinstance(bound, Operand):
                raise self.wrong((*path, "delay_s"), "is the age of a bound that is a signal")
            return Compare(signal, test, bound, given.get("plus", 0.0), delay)
        if test in ("between", "outside"):
            return Inside(signal, value[0], value[1], outside=test == "outside")
        if test in ("is", "is_not"):
            numbers, names = self._states(signal, value, here)
            return InState(signal, numbers, names, other=test == "is_not")
        source = self._operand(value, here)
        tolerance = given.get("tolerance", 0.0)
        if test == "follows":
            return Follows(signal, source, tolerance, delay)
        return Counts(signal, source, tolerance)

    def _operand(self, name: str, path: KeyPath) -> Operand:
        if name.startswith("@"):
            role = name[1:]
            if role in self.roles.broken:
                raise _WrongClaimError
            meant = self.roles.given.get(role)
            if isinstance(meant, ClaimSpec):
                raise self.wrong(path, f'the role "{role}" says what holds; a signal is wanted')
            if meant is None:
                if (address := self.roles.quantities.get(role)) is not None:
                    return Operand(address, role)
                known = [*self.roles.given, *self.roles.quantities]
                self.problems.unknown(path, "role", role, known)
                raise _WrongClaimError
            name = meant
        found = self.finder.one(name, path, None)
        if found is None:
            raise _WrongClaimError
        return Operand(found)

    def _states(
        self, signal: Operand, values: Sequence[float | str], path: KeyPath
    ) -> tuple[tuple[float, ...], tuple[str, ...]]:
        definition = self.signals[signal.address]
        numbers: list[float] = []
        names: list[str] = []
        by_name = {
            name: raw * float(definition.scale) + float(definition.offset)
            for raw, name in definition.choices.items()
        }
        for value in values:
            if isinstance(value, str):
                if value not in by_name:
                    near = suggestion(value, by_name, "state")
                    raise self.wrong(path, f'{signal.address.signal} has no state "{value}"{near}')
                numbers.append(by_name[value])
                names.append(value)
            else:
                numbers.append(value)
                names.append(next((n for n, x in by_name.items() if x == value), f"{value:g}"))
        return tuple(numbers), tuple(names)

    def _message(self, name: str, path: KeyPath) -> tuple[str, str, str]:
        if name.startswith("@"):
            meant = self.roles.given.get(name[1:])
            if name[1:] in self.roles.broken:
                raise _WrongClaimError
            if not isinstance(meant, str):
                self.problems.unknown(path, "role of a message", name[1:], self.roles.given)
                raise _WrongClaimError
            name = meant
        hits = self._streams_named(name)
        if len(hits) == 1:
            return hits[0].path
        if hits:
            shown = " and ".join(s.label for s in hits[:3])
            raise self.wrong(path, f'"{name}" means {len(hits)} messages: {shown}')
        if not self.hidden(None):
            known = [s.message.name for s in self.streams]
            near = suggestion(name.rsplit("/", 1)[-1], known, "message")
            self.problems.add(path, f'there is no message "{name}"{near}')
        raise _WrongClaimError

    def _streams_named(self, name: str) -> list[Stream]:
        pattern = selector_pattern(name)
        return [s for s in self.streams if pattern.fullmatch(s.label)]

    def _role(self, name: str, path: KeyPath, within: tuple[str, ...]) -> Claim:
        if name in self.roles.broken:
            raise _WrongClaimError
        meant = self.roles.given.get(name)
        if meant is None:
            self.problems.unknown(path, "role", name, self.roles.given)
            raise _WrongClaimError
        if isinstance(meant, str):
            raise self.wrong(path, f'the role "{name}" is a signal or message, it says nothing')
        if name in within:
            raise self.wrong(path, f'the role "{name}" stands in itself')
        return self.claim(meant, ("role", name), (*within, name))

    def _has_role(self, name: str) -> bool:
        return name in self.roles.given or name in self.roles.quantities


def _got(keys: Sequence[str]) -> str:
    return f"; got {' and '.join(keys)}" if keys else ""
