"""The wiring schedule as CSV and as one page of HTML to print."""

from __future__ import annotations

from collections.abc import Sequence

from busplan.checks.wording import rates
from busplan.plan.vehicle import Vehicle
from busplan.sheets.csv_text import Cell, csv_text
from busplan.sheets.drawing import drawing
from busplan.sheets.wiring import NetworkWiring, TapRow, wiring
from busplan.wire.meter import Range
from busplan.wording import CAUTION, counted, disarmed

NOT_STATED = "not stated"
WORK_RULES = (
    "Measure ohms only with every node without power and the traction pack disconnected and proven "
    "dead by a licensed person. Keep CAN pairs away from orange high-voltage cables; cross them at "
    "right angles. Local codes come first."
)
_HEAD = (
    *("network", "number", "node", "part", "place", "joined", "from_previous_m", "at_m", "stub_m"),
    *("connector", "high_pin", "low_pin", "ground_pin", "shield_pin", "pins_by", "label"),
    *("high_colour", "low_colour", "colours_by", "wire", "shielded", "shield_ground_at"),
    *("terminator_ohm", "reading_least_ohm", "reading_most_ohm", "trunk_m", "stubs_m", "wire_m"),
)


def wiring_csv(vehicle: Vehicle) -> str:
    """One row a node and network, one a terminator on the cable, and one with each network's sums.

    Lengths [m], resistances [Ω]; an empty cell is not stated.
    """
    rows: list[Sequence[Cell]] = []
    for one in wiring(vehicle):
        rows += [_tap_cells(one, tap) for tap in one.taps]
        on_cable = [t for t in one.terminators if not t.where.startswith("built into")]
        for terminator in on_cable:
            named = {"node": "(terminator)", "place": terminator.where}
            rows.append(_cells(one, named | {"terminator_ohm": terminator.ohm}))
        reading = one.reading_ohm
        sums: dict[str, Cell] = {
            "node": "(whole network)",
            "trunk_m": one.trunk_m,
            "stubs_m": one.stubs_m,
            "wire_m": one.wire_m,
            "reading_least_ohm": _two(reading.least if reading else None),
            "reading_most_ohm": _most(one, reading),
        }
        rows.append(_cells(one, sums))
    return csv_text(f"Wiring schedule of {vehicle.label}", _HEAD, rows)


def _tap_cells(one: NetworkWiring, tap: TapRow) -> list[Cell]:
    reading = tap.reading_ohm
    values: dict[str, Cell] = {
        name: getattr(tap, name) for name in _HEAD if name in TapRow.__dataclass_fields__
    }
    values["reading_least_ohm"] = _two(reading.least if reading else None)
    values["reading_most_ohm"] = _most(one, reading)
    return _cells(one, values)


def _cells(one: NetworkWiring, values: dict[str, Cell]) -> list[Cell]:
    shared: dict[str, Cell] = {
        "network": one.network.name,
        "high_colour": one.colours[0],
        "low_colour": one.colours[1],
        "colours_by": one.colours_by,
        "wire": one.wire,
        "shielded": {None: None, True: "yes", False: "no"}[one.shielded],
        "shield_ground_at": one.shield_ground_at,
    }
    return [(shared | values).get(name) for name in _HEAD]


def _most(one: NetworkWiring, reading: Range | None) -> float | None:
    """The most across the pair; empty where the wire that adds to it is not stated."""
    return None if reading is None or one.trunk_m is None else _two(reading.most)


def _two(value: float | None) -> float | None:
    return None if value is None else round(value, 2)


_PAGE = """<!doctype html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>Wiring schedule: {{ vehicle.label }}</title>
<style>
@page { size: A4 landscape; margin: 12mm; }
body { font: 10pt/1.4 "Liberation Sans", Arial, Helvetica, sans-serif; margin: 1rem auto;
  max-width: 272mm; padding: 0 1rem; color: #000; background: #fff; }
h1 { font-size: 15pt; margin: 0 0 .4rem; } h2 { font-size: 12pt; margin: 1.2rem 0 .3rem; }
h1, h2, p, li { overflow-wrap: anywhere; }
.caution { border: 2px solid #000; padding: .3rem .7rem; font-weight: bold; }
.caution p { margin: .2rem 0; }
section { break-inside: avoid-page; }
table { border-collapse: collapse; font-size: 8.5pt; width: 100%; }
th, td { text-align: left; vertical-align: top; padding: .12rem .4rem; border: 1px solid #777;
  overflow-wrap: anywhere; }
th { border-bottom: 2px solid #000; overflow-wrap: normal; }
td:nth-child(2) { min-width: 26mm; } td:nth-child(14) { min-width: 13mm; }
td.n, th.n { text-align: right; font-variant-numeric: tabular-nums; white-space: nowrap; }
tr { break-inside: avoid; }
.none { font-style: italic; color: #444; }
ul { margin: .3rem 0 .3rem 1.2rem; padding: 0; }
figure { margin: .5rem 0; } figure svg { width: 100%; height: auto; max-height: 180mm; }
@media print { body { margin: 0; max-width: none; padding: 0; } figure { break-after: page; } }
</style>
</head>
<body>
<h1>Wiring schedule of {{ vehicle.label }}</h1>
<div class="caution"><p>{{ caution }}</p><p>{{ rules }}</p></div>
{% if vehicle.invented %}<p>Invented demo data: no such vehicle is to be wired.</p>{% endif %}
<figure>{{ picture }}</figure>
<p>In the tables <span class="none">?</span> stands for what the plan does not state.</p>
{% for n in networks %}<section>
<h2>{{ n.title }}</h2>
<ul>{% for line in n.lines %}<li>{{ line }}</li>
{% endfor %}</ul>
<table><tr>{% for h, number in head %}<th{% if number %} class="n"{% endif %}>{{ h }}</th>
{% endfor %}</tr>
{% for row in n.rows %}<tr>{% for cell in row %}<td{% if head[loop.index0][1] %} class="n"
{% endif %}>{% if cell is none %}<span class="none">{{ unknown }}</span>{% else %}{{ cell }}
{%- endif %}</td>{% endfor %}</tr>
{% endfor %}</table>
</section>
{% endfor %}
<h2>What a meter shall read</h2>
<ul>{% for line in meter %}<li>{{ line }}</li>
{% endfor %}</ul>
<h2>Where values come from</h2>
<ul>{% for line in sources %}<li>{{ line }}</li>
{% endfor %}</ul>
</body>
</html>
"""
_COLUMNS = (
    ("no.", True),
    ("node", False),
    ("place", False),
    ("joined by", False),
    ("from last [m]", True),
    ("at [m]", True),
    ("stub [m]", True),
    ("connector", False),
    ("H", True),
    ("L", True),
    ("gnd", True),
    ("shield", True),
    ("pins by", False),
    ("label", False),
    ("T [Ω]", True),
    ("reads [Ω]", True),
)
_METER = (
    "Across the pair, power off: as each table says, at the plug of each node with all others "
    "plugged in. The lower figure counts 20 kΩ in every node, the upper one none.",
    "About twice the value: one terminator missing. About two thirds: one too many. Near 0: the "
    "wires touch. Open: the pair is broken between the meter and the rest.",
    "Awake and nobody sending: CAN_H and CAN_L each 2.0 to 3.0 V to ground (2.5 V nominal), less "
    "than 0.05 V apart. Asleep: near 0 V.",
    "Busy: the mean of CAN_H lies above 2.5 V and that of CAN_L as much below, as each network "
    "says; other values point to a line that touches ground, the battery or the other line.",
)
_SOURCES = (
    "Ohms: two 120 Ω in parallel, each through the wire to it and back; 70 mΩ/m for 0.25 to "
    "0.34 mm² and 20 kΩ a node from a fieldbus adapter's manual, unless the plan states the wire.",
    "Volts: recessive range of ISO 11898-2:2016 (from memory); means from nominal levels, planned "
    "load and the share of dominant bits counted in frames of known length (0.40 to 0.67).",
    "Pins: CiA 303-1 for D-sub and M12, SAE J1939-11, -13, -15 and J1962 as makers' sheets give "
    "them; pins of any other plug are only those the plan states. On 8-pin modular plugs makers "
    "use three different pairs: never assume.",
    "Colours where the plan is silent: SAE J1939-11 on J1939 networks (CAN_H yellow, CAN_L green). "
    "Shield: to ground at one place only, near the middle of the trunk (SAE J1939-11).",
)


def wiring_html(vehicle: Vehicle) -> str:
    """The schedule as one self-contained page for A4, black on white, with the drawing."""
    from jinja2 import Environment
    from markupsafe import Markup

    def harmless(value: object) -> object:
        return value if isinstance(value, Markup) else disarmed(str(value))

    page = Environment(autoescape=True, finalize=harmless).from_string(_PAGE)
    return page.render(
        vehicle=vehicle,
        caution=CAUTION,
        rules=WORK_RULES,
        picture=Markup(drawing(vehicle)),  # its own texts are escaped
        networks=[_network(one) for one in wiring(vehicle)],
        head=_COLUMNS,
        unknown="?",
        meter=_METER,
        sources=_SOURCES,
    )


def _network(one: NetworkWiring) -> dict[str, object]:
    network = one.network
    kind = ", J1939" if network.j1939 else ""
    return {
        "title": f"{network.name}: {rates(network)}{kind}, {counted(len(one.taps), 'node')}",
        "lines": _told(one),
        "rows": [_row(one, tap) for tap in one.taps],
    }


def _told(one: NetworkWiring) -> list[str]:
    """What holds for the whole network, in sentences."""
    order = "Order along the trunk as in the table."
    if not one.order_stated:
        order = (
            "Order along the trunk not stated: the table follows the plan. Decide before cutting."
        )
    wire = one.wire or f"wire {NOT_STATED}"
    ohm = f"{1000 * one.ohm_per_m:g} mΩ/m{'' if one.ohm_per_m_stated else ' assumed'}"
    high, low = (c or NOT_STATED for c in one.colours)
    by = f" ({one.colours_by})" if one.colours_by not in (None, "plan") else ""
    shield = {None: f"Shield {NOT_STATED}", True: "Shielded", False: "Not shielded"}[one.shielded]
    ground = ""
    if one.shielded:
        ground = f", shield to ground at: {one.shield_ground_at or NOT_STATED}"
    cable = f"trunk {_m(one.trunk_m)} and stubs {_m(one.stubs_m)}"
    idle, (above, below) = one.idle_v, one.busy_v
    return [
        order,
        f"Pair cable: {_m(one.wire_m)} in all, {cable}; {_splices(one)}; {wire}, {ohm}.",
        f"CAN_H {high}, CAN_L {low}{by}. {shield}{ground}.",
        *_terminators(one),
        f"Volts to ground: idle {idle.least:.1f} to {idle.most:.1f} V each; busy, mean: "
        f"CAN_H {above.least:.2f} to {above.most:.2f} V, "
        f"CAN_L {below.least:.2f} to {below.most:.2f} V.",
    ]


def _splices(one: NetworkWiring) -> str:
    if all(tap.stub_m is not None for tap in one.taps):
        return counted(one.splices, "splice")
    return f"{counted(one.splices, 'splice')} or more" if one.splices else f"splices {NOT_STATED}"


def _terminators(one: NetworkWiring) -> list[str]:
    if not one.terminators and not one.terminators_stated:
        return ["Terminators not stated: 120 Ω belong at each end of the trunk."]
    if not one.terminators:
        return ["No terminator is planned: the pair reads open, and the network cannot work."]
    told = []
    for t in one.terminators:
        guess = "" if t.stated else " (place assumed)" if t.where != NOT_STATED else ""
        without = "open" if t.without_ohm is None else f"about {t.without_ohm:.0f} Ω"
        reads = f"; without it the pair reads {without}" if one.terminators_stated else ""
        told.append(f"{t.ohm:g} Ω {t.where}{guess}{reads}")
    wire = "" if one.trunk_m is not None else ", and the wire's, which nobody states"
    if not one.terminators_stated:
        wire += ", as far as stated: terminators on the cable are not"
    across = f"Across the pair: {_ohms(one, one.reading_ohm)} Ω{wire}."
    return [f"Terminators: {'. '.join(told)}.", across]


def _row(one: NetworkWiring, tap: TapRow) -> list[object]:
    node = tap.node if tap.part == tap.node else f"{tap.node} ({tap.part})"
    first = tap.number == 1
    return [
        tap.number,
        node,
        tap.place,
        None if tap.joined == NOT_STATED else tap.joined,
        "" if first else _length(tap.from_previous_m),
        _length(tap.at_m),
        _length(tap.stub_m),
        tap.connector,
        tap.high_pin,
        tap.low_pin,
        tap.ground_pin,
        tap.shield_pin,
        tap.pins_by or "",
        tap.label or "",
        "" if tap.terminator_ohm is None else f"{tap.terminator_ohm:g}",
        _ohms(one, tap.reading_ohm),
    ]


def _ohms(one: NetworkWiring, reading: Range | None) -> str | None:
    if reading is None:
        return "open" if one.terminators_stated or one.terminators else None
    low, high = f"{reading.least:.1f}", f"{reading.most:.1f}"
    return low if low == high else f"{low} to {high}"


def _length(value: float | None) -> str | None:
    return None if value is None else f"{value:g}"


def _m(value: float | None) -> str:
    return NOT_STATED if value is None else f"{round(value, 3):g} m"
