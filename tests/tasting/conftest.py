"""What the tests of this room share."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pytest

from labkit.tasting import seal

SHIPPED_LOG2_N = seal._SCRYPT_LOG2_N


@pytest.fixture(scope="session")
def shipped_log2_n() -> int:
    """The cost of the key derivation as the user gets it."""
    return SHIPPED_LOG2_N


@pytest.fixture(scope="session", autouse=True)
def quick_seal() -> Iterator[None]:
    """A cheap key derivation, so that hundreds of plans can be sealed."""
    patch = pytest.MonkeyPatch()
    patch.setattr(seal, "_SCRYPT_LOG2_N", 1)
    yield
    patch.undo()


@pytest.fixture
def rng() -> np.random.Generator:
    """A seeded draw, which only tests may have."""
    return np.random.default_rng(20260705)
