import pytest
from support.van import make_replay

from busplan.replay.replay import Replay


@pytest.fixture(scope="session")
def heron() -> Replay:
    """30 s of the small van; monitor_a says nothing from 10 to 14 s."""
    return make_replay(gap_s=(10, 14))
