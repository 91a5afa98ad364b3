"""Frame tables in bulk, for comparing fast code with slow."""

import numpy as np

from busplan.frames.kinds import BRS, ESI, EXTENDED, FD, FD_LENGTHS, REMOTE
from busplan.frames.table import FrameTable


def random_frames(n: int, seed: int) -> FrameTable:
    """``n`` frames of every kind, half of their payload bytes made of long runs of equal bits."""
    random = np.random.default_rng(seed)
    fd = random.random(n) < 0.4
    flags = np.where(
        fd,
        FD | random.choice([0, BRS], n) | random.choice([0, ESI], n),
        random.choice([0, 0, 0, 0, REMOTE], n),
    ) | random.choice([0, EXTENDED], n)
    length = np.where(fd, random.choice(FD_LENGTHS, n), random.integers(0, 9, n))
    identifier = random.integers(0, 1 << 29, n)
    runs = random.choice([0, (1 << 29) - 1, 0x1E1E1E1E & 0x1FFFFFFF], n)
    identifier = np.where(random.random(n) < 0.5, identifier, runs)
    identifier = np.where(flags & EXTENDED, identifier, identifier & 0x7FF)
    stored = int(np.where(flags & REMOTE, 0, length).sum())
    payload = random.integers(0, 256, stored)
    runs = random.choice([0x00, 0xFF, 0x0F, 0xF0, 0x1E, 0xE1, 0x3C, 0xC3, 0x78, 0x87, 0xF8], stored)
    payload = np.where(random.random(stored) < 0.5, payload, runs)
    return FrameTable.from_columns(
        ["a"], np.arange(n), np.zeros(n), identifier, flags, length, payload
    )
