"""Pytest plugin: a failing example is neither made smaller nor kept, since a mutant is killed by any."""

from __future__ import annotations

import pytest
from hypothesis import Phase, settings


@pytest.hookimpl(tryfirst=True)
def pytest_collection() -> None:
    """Set the examples of every test collected from here on."""
    phases = [Phase.explicit, Phase.generate]
    settings.register_profile("mutation", parent=settings(), phases=phases, database=None)
    settings.load_profile("mutation")
