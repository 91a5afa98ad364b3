"""Every code block of the written pages runs, and prints what the page says."""

from pathlib import Path

import pytest
from support.manual_blocks import blocks, differences

from busplan.manual.written import CONTENTS, FOLDER

NAMES = [name for names in CONTENTS.values() for name in names]


@pytest.mark.parametrize("name", NAMES)
def test_every_block_of_a_page_does_what_it_says(name: str, demo_files: Path) -> None:
    names: dict[str, object] = {}
    found = []
    for block in blocks((FOLDER / f"{name}.md").read_text(encoding="utf-8")):
        found += [f"{name}.md:{block.line}: {said}" for said in differences(block, names)]
    assert not found, "\n".join(found)


@pytest.mark.usefixtures("demo_files")
def test_a_wrong_output_a_wrong_call_and_an_unknown_block_are_seen() -> None:
    page = (
        "```console\n$ busplan explain late-frame-x\nbusplan: all fine\n```\n"
        "```console\n$ rm -rf x\n```\n```ruby\nx\n```\n```pycon\n>>> 1 + 1\n3\n```\n"
    )
    told = [list(differences(block, {})) for block in blocks(page)]
    assert [bool(one) for one in told] == [True] * 4
    assert 'there is no code "late-frame-x"' in told[0][0]
