"""From ``[[test]]`` to the commissioning list: names looked up, ready tests spread out."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from busplan.plan.claims import Behaviour
from busplan.plan.commission_spec import KINDS, PlannedTestSpec
from busplan.plan.locate import KeyPath
from busplan.plan.planned_tests import PlannedTest
from busplan.plan.problems import Problems, suggestion
from busplan.plan.ready_tests import READY_TESTS, ReadyTest
from busplan.plan.schema import PlanSpec
from busplan.plan.validate import read_table
from busplan.plan.vehicle import Node, Stream

CAPTURES = ("warm-up", "drive", "charge", "rest", "key-on")
MOST_TESTS = 5000
ALL = "all"


def resolve_tests(
    spec: PlanSpec,
    nodes: Mapping[str, Node],
    streams: Sequence[Stream],
    behaviours: Sequence[Behaviour],
    problems: Problems,
) -> tuple[PlannedTest, ...]:
    """The tests of a plan in order; mistakes go to ``problems``."""
    maker = _Maker(spec, nodes, streams, behaviours, problems)
    found: list[PlannedTest] = []
    for index, table in spec.tests.items():
        path: KeyPath = ("test", index)
        made = maker.spread(table, path) if table.ready else maker.own(table, path)
        for test in made:
            if any(test.name == other.name for other in found):
                problems.add(path, f'the test "{test.name}" is there twice')
            found.append(test)
        if len(found) > MOST_TESTS:
            problems.add(path, f"more than {MOST_TESTS} tests")
            return ()
    return tuple(found)


class _Maker:
    def __init__(
        self,
        spec: PlanSpec,
        nodes: Mapping[str, Node],
        streams: Sequence[Stream],
        behaviours: Sequence[Behaviour],
        problems: Problems,
    ) -> None:
        self.spec = spec
        self.nodes = nodes
        self.sends = {(s.node, s.network) for s in streams if s.own}
        self.behaviours = [b.name for b in behaviours]
        self.expecting = [n for n, s in spec.nodes.items() if s.expect is not None]
        self.problems = problems

    def spread(self, spec: PlannedTestSpec, path: KeyPath) -> list[PlannedTest]:
        """The ready tests of a name, one for each thing they are of."""
        given = spec.model_dump(exclude_defaults=True)
        more = sorted(given.keys() - {"ready"} - _REPLACED)
        if more:
            self.problems.add((*path, more[0]), "does not go with a ready test")
            return []
        named = READY_TESTS.get(spec.ready or "")
        if spec.ready != ALL and named is None:
            known = [ALL, *READY_TESTS]
            self.problems.unknown((*path, "ready"), "ready test", spec.ready or "", known)
            return []
        chosen = list(READY_TESTS.values()) if named is None else [named]
        replaced = {k: v for k, v in given.items() if k in _REPLACED}
        if replaced and len(chosen) > 1:
            self.problems.add((*path, next(iter(replaced))), f'does not go with "{ALL}"')
            return []
        return [test for ready in chosen for test in self._each(ready, replaced, path)]

    def _each(
        self, ready: ReadyTest, replaced: Mapping[str, Any], path: KeyPath
    ) -> list[PlannedTest]:
        if ready.needs == "pack" and self.spec.pack is None:
            return []
        if not ready.each:
            return self._filled(ready, ready.name, "", None, replaced, path)
        found = []
        for label, subject, network in self._subjects(ready):
            name = f"{ready.name} {label}"
            found += self._filled(ready, name, subject, network, replaced, path)
        return found

    def _subjects(self, ready: ReadyTest) -> list[tuple[str, str, str | None]]:
        """What a ready test is spread over: label, subject, network."""
        match ready.each:
            case "network":
                return [(n, n, None) for n in self.spec.networks]
            case "behaviour":
                return [(n, n, None) for n in self.behaviours]
            case "expect":
                return [(n, n, None) for n in self.expecting]
            case _:
                return [
                    (n if len(node.on) == 1 else f"{n} on {network}", n, network)
                    for n, node in self.nodes.items()
                    for network in node.on
                    if (n, network) in self.sends  # else a capture has nothing to show
                ]

    def _filled(
        self,
        ready: ReadyTest,
        name: str,
        subject: str,
        network: str | None,
        replaced: Mapping[str, Any],
        path: KeyPath,
    ) -> list[PlannedTest]:
        table = {
            k: v.replace("{}", subject) if isinstance(v, str) else v for k, v in ready.table.items()
        }
        table |= {"name": name, **replaced}
        if network is not None:
            table["network"] = network
        spec = read_table(PlannedTestSpec, table, path, self.problems)
        return [] if spec is None else self.own(spec, path)

    def own(self, spec: PlannedTestSpec, path: KeyPath) -> list[PlannedTest]:
        """One test as the plan says it."""
        kinds = [k for k in KINDS if getattr(spec, k) is not None]
        if len(kinds) != 1:
            said = f"; got {' and '.join(kinds)}" if kinds else ""
            self.problems.add(path, f"needs one of {', '.join(KINDS)} or ready{said}")
            return []
        kind: Any = kinds[0]
        subject = getattr(spec, kind)
        if not self._known(kind, subject, spec.network, path):
            return []
        limits = [k for k in ("at_least", "at_most", "for_min", "unit") if getattr(spec, k)]
        if kind != "measure" and limits:
            self.problems.add((*path, limits[0]), f'does not go with "{kind}"')
            return []
        if kind == "measure" and spec.at_least is None and spec.at_most is None:
            self.problems.add(path, "a measurement needs at_least or at_most")
            return []
        if None not in (spec.at_least, spec.at_most) and spec.at_least > spec.at_most:  # type: ignore[operator]
            self.problems.add((*path, "at_least"), "must not be above at_most")
            return []
        network = spec.network
        if kind == "bench" and network is None and subject in self.nodes:
            on = list(self.nodes[subject].on)
            if len(on) > 1:
                text = f"{subject} is on {', '.join(on)}: say which in network"
                self.problems.add(path, text)
                return []
            network = on[0]
        if kind == "bench" and subject in self.nodes and (subject, network) not in self.sends:
            text = f"{subject} sends nothing of its own on {network}, so the bench shows nothing"
            self.problems.add((*path, kind), text)
            return []
        return [
            PlannedTest(
                name=spec.name or f"{kind} {subject}",
                kind=kind,
                subject=subject,
                network=network,
                unit=spec.unit,
                at_least=spec.at_least,
                at_most=spec.at_most,
                for_min=spec.for_min,
                licensed=spec.licensed,
                caution=spec.caution,
                note=spec.note,
                source=spec.source,
            )
        ]

    def _known(self, kind: str, subject: str, network: str | None, path: KeyPath) -> bool:
        """Whether the plan has what a test is of; a table that is broken hides nothing more."""
        broken = self.spec.broken
        choices: Mapping[str, tuple[str, Sequence[str]]] = {
            "capture": ("kind of capture", CAPTURES),
            "bench": ("node", self.spec.known("node")),
            "behaviour": ("behaviour", self.behaviours),
            "load": ("network", self.spec.known("network")),
            "cycles": ("network", self.spec.known("network")),
            "expect": ("node with expect", self.expecting),
        }
        if kind in choices:
            what, known = choices[kind]
            if subject not in known:
                if not (kind == "expect" and broken.get("node")):
                    near = suggestion(subject, known, what)
                    self.problems.add((*path, kind), f'there is no {what} "{subject}"{near}')
                return False
        if network is not None and kind != "bench":
            self.problems.add((*path, "network"), "is of a bench test")
            return False
        if network is not None and subject in self.nodes and network not in self.nodes[subject].on:
            on = self.nodes[subject].on
            self.problems.unknown((*path, "network"), "network", network, on, f"of {subject}")
            return False
        return True


_REPLACED = {"at_least", "at_most", "for_min", "note", "source", "caution", "licensed", "unit"}
"""What a plan may state anew of a ready test."""
