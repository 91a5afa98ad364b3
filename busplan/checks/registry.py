"""All checks of a plan, and running them.

A check is one module of this package with two names: ``CODES`` (code → what it means and how it is
judged, shown by ``busplan check --explain``) and ``check(vehicle)``, a pure function that yields
findings under these codes only. To add a check, write the module and add it to :data:`CHECKS`;
heavy imports go inside its functions, because every command that judges a plan imports this module.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import NamedTuple

from busplan.checks import (
    addresses,
    agreement,
    bit_rates,
    cabling,
    clashes,
    deadlines,
    loaded,
    needs,
    payloads,
    planned_load,
    routes,
    services,
    silent,
)
from busplan.errors import UsageError
from busplan.findings import Finding, by_weight
from busplan.plan.problems import suggestion
from busplan.plan.vehicle import Vehicle


class Check(NamedTuple):
    """One entry of the registry."""

    codes: Mapping[str, str]
    run: Callable[[Vehicle], Iterable[Finding]]


CHECKS: tuple[Check, ...] = (
    Check(loaded.CODES, loaded.check),
    Check(clashes.CODES, clashes.check),
    Check(addresses.CODES, addresses.check),
    Check(bit_rates.CODES, bit_rates.check),
    Check(payloads.CODES, payloads.check),
    Check(planned_load.CODES, planned_load.check),
    Check(deadlines.CODES, deadlines.check),
    Check(cabling.CODES, cabling.check),
    Check(needs.CODES, needs.check),
    Check(routes.CODES, routes.check),
    Check(silent.CODES, silent.check),
    Check(agreement.CODES, agreement.check),
    Check(services.CODES, services.check),
)


def run_checks(vehicle: Vehicle, only: Iterable[str] = ()) -> tuple[Finding, ...]:
    """Every finding about a vehicle, heaviest first, those of loading its files included.

    ``only`` names codes to keep; checks that yield none of them do not run.
    """
    wanted = set(only)
    found = [
        finding
        for check in CHECKS
        if not wanted or wanted & check.codes.keys()
        for finding in check.run(vehicle)
        if not wanted or finding.code in wanted
    ]
    return tuple(by_weight(found))


def explain(code: str) -> str:
    """What a code means. ``UsageError`` when no check yields it."""
    for check in CHECKS:
        if code in check.codes:
            return check.codes[code]
    raise UsageError(f'no check yields the code "{code}"{suggestion(code, all_codes(), "code")}')


def all_codes() -> tuple[str, ...]:
    """Every code any check yields."""
    return tuple(code for check in CHECKS for code in check.codes)
