"""The demo's definition files and short captures as material for a first plan, read once."""

from functools import cache
from pathlib import Path

from busplan.capture.read import read_capture
from busplan.definitions.dbc import Definitions, load_dbc
from busplan.demo.files import shipped
from busplan.starting.heard import Channel, listen
from busplan.starting.material import Material

CAPTURES = ("warm_up", "drive", "charge", "bench_charger", "collision")


@cache
def definitions() -> tuple[Definitions, ...]:
    return tuple(load_dbc(p) for p in sorted(shipped("dbc_examples").glob("*.dbc")))


@cache
def channels() -> tuple[Channel, ...]:
    return tuple(
        channel
        for name in CAPTURES
        for channel in listen(name, read_capture(capture_file(name), cache=False).frames)
    )


def capture_file(name: str) -> Path:
    return shipped("captures") / f"{name}_short.log.gz"


def material(*, captures: bool = True) -> Material:
    files = definitions()
    names = {d.file: Path(d.file).name for d in files}
    return Material(files, names, (), channels() if captures else ())


def load(path: Path) -> Definitions:
    return next(d for d in definitions() if Path(d.file).name == path.name)
