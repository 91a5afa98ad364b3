"""What a capture shows on the wire, from Python: survey and measurement."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from os import PathLike, fspath
from pathlib import Path
from typing import TYPE_CHECKING

from busplan.face.given import a_number, a_path, names, rates
from busplan.face.opened import Capture, a_capture

if TYPE_CHECKING:
    from busplan.traffic.measurement import Measurement
    from busplan.traffic.survey_report import Survey


def survey(
    capture: Capture,
    *,
    networks: Iterable[str] | str | None = None,
    definitions: Sequence[str | PathLike[str]] = (),
    bit_rates: Mapping[str, int | tuple[int, int]] | None = None,
) -> Survey:
    """Every identifier on the wire, defined or not: cycle, lengths, changing bits, likely contents.

    ``networks`` (channels, without a plan) limits it; ``definitions`` are DBC files to compare
    with; ``bit_rates`` [bit/s] by network, a pair for CAN FD, where no plan tells them. What is
    called likely is a guess from how payloads behave, for people to check.
    :class:`busplan.UsageError` for a network that is not there.

    >>> c = busplan.read_capture("bench_charger_short.log.gz")
    >>> busplan.survey(c, definitions=["charger.dbc"]).to_frame()["defined_as"].iloc[0]
    'ChargerStatus (charger.dbc)'
    """
    from busplan.definitions.dbc import load_dbc
    from busplan.traffic.survey_report import survey_traffic

    a_capture(capture, "survey")
    several = [definitions] if isinstance(definitions, str | PathLike) else definitions
    return survey_traffic(
        capture.frames,
        capture.vehicle,
        files=[load_dbc(Path(fspath(a_path(file, "survey")))) for file in several],
        rates=rates(bit_rates, "survey"),
        networks=names(networks, "networks"),
        known=capture.findings,
    )


def measure(
    capture: Capture,
    *,
    window_s: float = 1.0,
    bit_rates: Mapping[str, int | tuple[int, int]] | None = None,
) -> Measurement:
    """Measured loads, in windows of ``window_s`` [s], and the cycle time of every identifier.

    ``bit_rates`` [bit/s] by network, a pair for CAN FD, where no plan tells them; a network without
    has no load. ``to_frame()`` has one row an identifier, ``load_table().to_frame()`` one a
    network.

    >>> v = busplan.load_plan("as_built.toml")
    >>> measured = busplan.measure(busplan.read_capture("drive_short.log.gz", v))
    >>> 0 < measured.loads["drive"].mean() < measured.limits["drive"]
    True
    """
    from busplan.traffic.measurement import measure_traffic

    a_capture(capture, "measure")
    return measure_traffic(
        capture.frames,
        capture.vehicle,
        rates=rates(bit_rates, "measure"),
        window_ns=round(a_number(window_s, "window_s", 1e-9, 1e9) * 1e9),
        known=capture.findings,
    )
