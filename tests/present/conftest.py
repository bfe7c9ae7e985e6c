"""Simulated tastings, as the readings that sentences are about."""

from __future__ import annotations

import pytest

from labkit.analysis import read_coffee
from tests.analysis.conftest import tasted


@pytest.fixture(scope="session")
def ratio():
    """Four tasters, six Mg shares, three flights; planted best 0.5."""
    return read_coffee(tasted())


@pytest.fixture(scope="session")
def flat():
    """The same cups of a coffee that does not mind its water."""
    return read_coffee(tasted(effect=0.0))
