"""A script of a user as a strict type checker sees it: mypy checks it with the package."""

from typing import assert_type

import busplan
from busplan import BusplanError, Capture, Finding, Findings, Vehicle


def main() -> list[str]:
    """The main job, every value of the type that is said."""
    vehicle = busplan.load_plan("as_built.toml")
    assert_type(vehicle, Vehicle)
    capture = busplan.read_capture("bench_charger_short.log.gz", vehicle)
    assert_type(capture, Capture)
    found = busplan.check(vehicle)
    assert_type(found, Findings)
    assert_type(found[:1], Findings)
    told = [assert_type(one, Finding).summary for one in found]
    told += [f"{one.network.name} {one.worst:.1%}" for one in busplan.loads(vehicle).loads]
    late = [r for n in busplan.timing(vehicle).networks for r in n.missed]
    told += [str(o.bound_ns) for o in busplan.simulate(vehicle, seconds=0.1).observed]
    told += [r.stream.label for r in late]
    proof = busplan.prove_node(capture, "charger")
    assert_type(proof.to_html(), str)
    told.append(proof.headline)
    told += [s.label for s in busplan.survey(capture).identifiers]
    told += [str(one.median_ns) for m in busplan.measure(capture).identifiers if (one := m.cycle)]
    try:
        busplan.judge_pack(capture, test="drive")
    except BusplanError as error:
        told.append(str(error))
    return told
