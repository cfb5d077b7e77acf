"""Commands are tried on archives of fixed days, whatever day the tests run on."""

from __future__ import annotations

import pytest


@pytest.fixture(autouse=True)
def clock_is_right(monkeypatch):
    """State that the clock is right, as a person does for an archive that rested for years."""
    monkeypatch.setenv("STILLWELL_CLOCK_IS_RIGHT", "1")
