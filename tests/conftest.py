"""Fixtures that several rooms share, and the rule that nothing may skip in CI."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

PROJECT = Path(__file__).resolve().parents[1]
IN_CI = os.environ.get("LABKIT_CI") == "1"


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item, call):
    """In CI a skipped test is a failed one: everything it needs is installed there."""
    report = yield
    if IN_CI and report.skipped and not hasattr(report, "wasxfail"):
        report.outcome = "failed"
        report.longrepr = f"skipped, which CI does not allow: {call.excinfo.value}"
    return report


@pytest.fixture
def book_folder(tmp_path):
    """An empty folder of its own for one lab book."""
    folder = tmp_path / "lab_book"
    folder.mkdir()
    return folder


@pytest.fixture(scope="session")
def postgres_url():
    """SQLAlchemy URL of a throw-away PostgreSQL database."""
    url = os.environ.get("LABKIT_TEST_POSTGRES_URL")
    if not url:
        pytest.skip("LABKIT_TEST_POSTGRES_URL names no PostgreSQL server (.ci/run starts one)")
    return url
