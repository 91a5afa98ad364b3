"""The written pages: which there are, in the order they are read, and their text."""

from __future__ import annotations

from pathlib import Path

from busplan.manual.page import Page

FOLDER = Path(__file__).parent / "pages"
PICTURES = FOLDER / "pictures"

CONTENTS: dict[str, tuple[str, ...]] = {
    "Begin": ("start", "cautions"),
    "Tutorials, an hour each": (
        "tutorial-integrator",
        "tutorial-technician",
        "tutorial-bench",
    ),
    "Planning": (
        "plan-from-parts",
        "part-on-paper",
        "write-a-plan",
        "change-a-plan",
        "allot-identifiers",
        "gateway-and-wiring",
    ),
    "Reading captures": (
        "salvaged-part",
        "split-by-adapters",
        "before-and-after",
        "heat-gun",
        "own-board",
        "behaviours",
        "long-messages",
        "record-safely",
        "many-captures",
        "notebook",
    ),
    "Proving and handing over": ("bench-a-node", "commissioning-and-report"),
    "Understanding": (
        "what-is-load",
        "why-worst-case",
        "proven-bound",
        "how-a-pack-is-judged",
        "uncertainty",
        "a-million-captures",
        "exit-codes",
        "sources",
    ),
}
"""Groups and the names of their pages; each is the file of that name."""


def written_pages() -> list[Page]:
    """Every written page."""
    return [
        Page(name, group, (FOLDER / f"{name}.md").read_text(encoding="utf-8"))
        for group, names in CONTENTS.items()
        for name in names
    ]
