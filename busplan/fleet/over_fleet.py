"""All vehicles at once: findings, loads, limits that were passed, one part in many places."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import numpy as np

from busplan.errors import UsageError
from busplan.fleet.desk import Desk
from busplan.fleet.reply import Curve, Drawing, Reply, table_of
from busplan.fleet.views import listed, text
from busplan.plan.problems import suggestion
from busplan.wording import counted, listing, percent

_TIME = "CASE WHEN dated THEN start_ns END"
_SIGNS = {"max": ">", "min": "<"}
_ENDS = {"max": ("max", "max_at_ns"), "min": ("min", "min_at_ns")}


def _of(vehicles: Sequence[str]) -> str:
    return f"vehicle IN (SELECT unnest({listed(vehicles)})) AND state = 'judged'"


def with_finding(desk: Desk, code: str, vehicles: Sequence[str]) -> Reply:
    """Vehicles in which a finding was made: how often, since when, where."""
    where = ", ".join(f"findings.{c}[n]" for c in ("network", "node", "message", "signal"))
    found = desk.table(
        f"""
        WITH each AS (
          SELECT vehicle, start_ns, dated, uri, list_position(findings.code, {text(code)}) AS n,
            concat_ws('/', {where}) AS place, findings.weight[n] AS weight
          FROM judgements WHERE {_of(vehicles)}
        )
        SELECT vehicle, nullif(count(n), 0) AS captures, count(*) AS of,
          min({_TIME}) FILTER (n > 0) AS first_time, max({_TIME}) FILTER (n > 0) AS last_time,
          max_by(place, start_ns) FILTER (n > 0) AS place,
          max_by(weight, start_ns) FILTER (n > 0) AS weight,
          max_by(uri, start_ns) FILTER (n > 0) AS capture
        FROM each GROUP BY vehicle ORDER BY captures DESC, vehicle
        """
    )
    total = sum(found["of"].to_pylist())
    told = found.filter(found["captures"].is_valid())
    columns = {name: told[name] for name in told.column_names}
    if not len(told):
        says = f"{code}: in none of {counted(total, 'judged capture')}"
    else:
        number = counted(len(told), "vehicle")
        says = f"{code}: in {number}, {sum(told['captures'].to_pylist())} of {total} captures"
    bars = dict(zip(told["vehicle"].to_pylist(), told["captures"].to_pylist(), strict=True))
    return Reply(
        f"vehicles with {code}",
        table_of(columns),
        (says,),
        {"first_time": "UTC", "last_time": "UTC"},
        Drawing("bars", f"captures with {code}", bars=bars) if bars else None,
        hidden=("weight",),
    )


def known_codes(desk: Desk) -> list[str]:
    """Every code of a finding that the fleet has."""
    return list(
        desk.table("SELECT DISTINCT unnest(findings.code) AS code FROM judgements ORDER BY code")[
            "code"
        ].to_pylist()
    )


def highest_load(desk: Desk, network: str, vehicles: Sequence[str]) -> Reply:
    """The highest load of every network of every vehicle: the busiest second, when and where."""
    only = f"WHERE network = {text(network)}" if network else ""
    told = desk.table(
        f"""
        WITH loads AS (
          SELECT vehicle, dated, uri, span_s, unnest(loads.network) AS network,
            unnest(loads.peak) AS peak, unnest(loads.mean) AS mean,
            unnest(loads.peak_at_ns) AS at_ns, unnest(loads."limit") AS "limit"
          FROM judgements WHERE {_of(vehicles)}
        )
        SELECT network, vehicle, 100 * max(peak) AS peak, 100 * max(mean) AS highest_mean,
          100 * max_by("limit", peak) AS "limit",
          max_by(CASE WHEN dated THEN at_ns END, peak) AS time,
          max_by(uri, peak) AS capture, count(*) AS captures
        FROM loads {only} GROUP BY network, vehicle ORDER BY peak DESC
        """
    )
    if network and not len(told):
        known = desk.table("SELECT DISTINCT unnest(loads.network) AS n FROM judgements")["n"]
        near = suggestion(network, known.to_pylist(), "network")
        raise UsageError(f'no capture asked for has a network "{network}"{near}')
    rows = told.to_pylist()
    says = [
        f"highest: {percent(r['peak'] / 100)} on {r['network']} of {r['vehicle']} "
        f"(limit {percent(r['limit'] / 100, 0)})"
        for r in rows[:1]
    ]
    over = [f"{r['network']} of {r['vehicle']}" for r in rows if r["peak"] > r["limit"]]
    if over:
        says.append(f"over the limit in a second at least once: {listing(over, 6)}")
    units = {"peak": "%", "highest_mean": "%", "limit": "%", "time": "UTC"}
    bars = {f"{r['network']} of {r['vehicle']}": r["peak"] for r in rows[:40]}
    return Reply(
        "highest load ever",
        table_of({n: told[n] for n in told.column_names}),
        tuple(says),
        units,
        Drawing("bars", "load of the busiest second [%]", bars=bars) if bars else None,
    )


Positions = dict[str, list[tuple[int, Mapping[str, Any]]]]


def positions_of(wanted: Mapping[str, Mapping[str, Any]]) -> Positions:
    """Where the statistics of chosen rows of ``signals`` stand, by plan."""
    found: Positions = {}
    for row in wanted.values():
        found.setdefault(row["plan_id"], []).append((row["position"] + 1, row))
    return found


def _chosen(desk: Desk, selector: str) -> Positions:
    """The signals that a selector names, in every plan of the fleet."""
    from busplan.plan.select import selector_pattern

    rows = desk.table(
        "SELECT * FROM signals WHERE position IS NOT NULL "
        f"AND hash(plan_id) IN (SELECT unnest({desk.plans}))"
    ).to_pylist()
    pattern = selector_pattern(selector)
    wanted = {r["entry"]: r for r in rows if pattern.fullmatch("/".join(_address(r)))}
    if not wanted:
        near = suggestion(selector, sorted({r["signal"] for r in rows}), "signal")
        raise UsageError(f'no signal of the fleet matches "{selector}"{near}')
    return positions_of(wanted)


def _address(row: Mapping[str, Any]) -> tuple[str, ...]:
    return row["network"], row["node"], row["message"], row["signal"]


def _beyond(plan: str, told: Sequence[tuple[int, Mapping[str, Any]]], end: str) -> str:
    """A select of a plan's captures with a chosen signal beyond ``?``: one row a signal of each.

    ``end`` is ``max`` or ``min``, ``signal`` the number of the signal in the plan: names would be
    most of the work.
    """
    places = f"[{', '.join(str(place) for place, _ in told)}]"
    # One signal of one capture is looked at as it is; a list made of it costs twice the time.
    furthest = f"list_{end}(list_select(stats.{end}, {places}))"
    if len(told) == 1:
        furthest = f"stats.{end}[{told[0][0]}]"
    taken = ", ".join(f"unnest(list_select(stats.{c}, {places})) AS {c}" for c in _ENDS[end])
    return (
        f"SELECT vehicle, plan_id, start_ns, dated, uri, unnest({places}) AS signal, {taken} "
        f"FROM judgements WHERE plan_id = {text(plan)} AND state = 'judged' "
        f"AND {furthest} {_SIGNS[end]} ?"
    )


def _named(told: Any, positions: Positions) -> Any:
    """The table with signals by name in place of plan and number."""
    import pyarrow as pa

    names = {(p, at): "/".join(_address(row)) for p, each in positions.items() for at, row in each}
    keys = zip(told["plan_id"].to_pylist(), told["signal"].to_pylist(), strict=True)
    found = pa.array([names[key] for key in keys], pa.string())
    at = told.column_names.index("signal")
    return told.set_column(at, "signal", found).drop_columns(["plan_id"])


def passed(
    desk: Desk,
    selector: str,
    vehicles: Sequence[str],
    above: float | None = None,
    below: float | None = None,
) -> Reply:
    """Captures in which a signal went beyond a limit, furthest first."""
    if (above is None) == (below is None):
        raise UsageError("limit wants --above VALUE or --below VALUE")
    end, limit = ("max", above) if above is not None else ("min", below)
    chosen = _chosen(desk, selector)
    units = sorted({row["unit"] or "" for told in chosen.values() for _, row in told})
    if len(units) > 1:
        raise UsageError(
            f"{selector} names signals in several units ({', '.join(u or 'none' for u in units)}); "
            "name those of one"
        )
    selects = " UNION ALL ".join(_beyond(plan, told, end) for plan, told in chosen.items())
    told = desk.table(
        f"""
        SELECT vehicle, plan_id, signal, {end} AS value,
          CASE WHEN dated THEN {end}_at_ns END AS time,
          ({end}_at_ns - start_ns) / 1e9 AS at_s, uri AS capture
        FROM ({selects})
        WHERE vehicle IN (SELECT unnest({listed(vehicles)})) AND {end} {_SIGNS[end]} ?
        ORDER BY value {"DESC" if above is not None else "ASC"}
        """,
        [limit] * (len(chosen) + 1),
    )
    told = _named(told, chosen)
    unit = units[0]
    number = len(set(told["capture"].to_pylist()))
    word = "above" if above is not None else "below"
    says = f"{selector} {word} {limit:g} {unit}".rstrip() + f": in {counted(number, 'capture')}"
    kept = told.filter(told["time"].is_valid())
    curve = Curve(
        selector,
        np.asarray(kept["time"], np.int64),
        np.asarray(kept["value"], np.float64),
    )
    drawing = Drawing("curves", f"{selector} [{unit}]", [curve], limit=limit) if len(kept) else None
    return Reply(
        f"captures with {selector} {word} {limit:g} {unit}".rstrip(),
        table_of({n: told[n] for n in told.column_names}),
        (says,),
        {"value": unit, "time": "UTC", "at_s": "s"},
        drawing,
    )
