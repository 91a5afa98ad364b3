"""While tests run, no finding can be made with a code or weight that is not registered."""

from collections.abc import Iterator
from typing import Any

import pytest

from busplan.finding_codes import CODES
from busplan.findings import Finding


@pytest.fixture(scope="session", autouse=True)
def registered_findings() -> Iterator[None]:
    """Every finding made in this process is looked up."""
    make = Finding.__init__

    def looked_up(self: Finding, *args: Any, **named: Any) -> None:
        make(self, *args, **named)
        entry = CODES.get(self.code)
        assert entry is not None, f"no room has registered the code {self.code}"
        assert self.weight in entry.weights, f"{self.code} is never a {self.weight.word}"

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Finding, "__init__", looked_up)
        yield
