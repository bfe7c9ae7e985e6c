"""What the tests of this room share."""

from __future__ import annotations

import numpy as np
import pytest


@pytest.fixture
def rng() -> np.random.Generator:
    """A seeded draw, which only tests may have."""
    return np.random.default_rng(20260705)
