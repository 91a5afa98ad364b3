"""All checks of a plan, and running them.

A check is one module of this package with ``check(vehicle)``, a pure function that yields findings
under the codes of its own table in :mod:`busplan.finding_codes.checks` only. To add a check, write
the module and the table, and add both to :data:`CHECKS`; heavy imports go inside its functions,
because every command that judges a plan imports this module.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from typing import NamedTuple

from busplan.checks import (
    addresses,
    agreement,
    bit_rates,
    cabling,
    clashes,
    deadlines,
    loaded,
    named_receivers,
    needs,
    payloads,
    planned_load,
    route_values,
    route_ways,
    routes,
    services,
    silent,
    timeouts,
)
from busplan.errors import UsageError
from busplan.finding_codes import checks as codes
from busplan.finding_codes import definitions, plan
from busplan.finding_codes import routes as route_codes
from busplan.finding_codes.entry import FindingCode
from busplan.findings import Finding, by_weight
from busplan.plan.problems import suggestion
from busplan.plan.vehicle import Vehicle


class Check(NamedTuple):
    """One entry of the registry."""

    entries: tuple[FindingCode, ...]
    run: Callable[[Vehicle], Iterable[Finding]]

    @property
    def codes(self) -> set[str]:
        """The codes it can yield."""
        return {entry.code for entry in self.entries}


CHECKS: tuple[Check, ...] = (
    Check((*definitions.CODES, *plan.CODES), loaded.check),
    Check(codes.CLASHES, clashes.check),
    Check(codes.ADDRESSES, addresses.check),
    Check(codes.BIT_RATES, bit_rates.check),
    Check(codes.PAYLOADS, payloads.check),
    Check(codes.PLANNED_LOAD, planned_load.check),
    Check(codes.DEADLINES, deadlines.check),
    Check(codes.CABLING, cabling.check),
    Check(codes.NEEDS, needs.check),
    Check(route_codes.RECEIVERS, named_receivers.check),
    Check(codes.ROUTES, routes.check),
    Check(route_codes.WAYS, route_ways.check),
    Check(route_codes.VALUES, route_values.check),
    Check(route_codes.TIMEOUTS, timeouts.check),
    Check(codes.SILENT, silent.check),
    Check(codes.AGREEMENT, agreement.check),
    Check(codes.SERVICES, services.check),
)


def run_checks(vehicle: Vehicle, only: Iterable[str] = ()) -> tuple[Finding, ...]:
    """Every finding about a vehicle, heaviest first, those of loading its files included.

    ``only`` names codes to keep; checks that yield none of them do not run.
    """
    wanted = set(only)
    found = [
        finding
        for check in CHECKS
        if not wanted or wanted & check.codes
        for finding in check.run(vehicle)
        if not wanted or finding.code in wanted
    ]
    return tuple(by_weight(found))


def require_codes(names: Iterable[str]) -> None:
    """``UsageError`` when one of ``names`` is a code that no check yields."""
    known = [entry.code for check in CHECKS for entry in check.entries]
    for name in names:
        if name not in known:
            raise UsageError(f'no check yields the code "{name}"{suggestion(name, known, "code")}')
