"""Demo plans in which a part's definition file is written as messages on paper."""

from pathlib import Path

from busplan.definitions.dbc import load_dbc
from busplan.demo.files import definition_files
from busplan.plan.paper_text import paper_text


def on_paper(folder: Path, part: str, plan: str = "as_built") -> Path:
    """A plan of the demo in ``folder``, in which ``part`` has tables in place of its file."""
    for file in definition_files():
        if file.stem != part:
            (folder / file.name).write_bytes(file.read_bytes())
    path = folder / f"{plan}.toml"
    (file,) = (f for f in definition_files() if f.name == f"{part}.dbc")
    tables = paper_text(part, load_dbc(file).messages, part.upper())
    named = f'definitions = "{part}.dbc"\n'
    text = path.read_text("utf-8")
    assert named in text
    path.write_text(f"{text.replace(named, '')}\n{tables}", "utf-8")
    return path
