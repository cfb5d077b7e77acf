"""One small archive and one bag for all tests that only read them."""

from __future__ import annotations

import pytest

from tests.publishing.making import published, small_archive


@pytest.fixture(scope="session")
def archive(tmp_path_factory):
    """Return the folder of a small archive with much that must not go out."""
    return small_archive(tmp_path_factory.mktemp("publishing"))


@pytest.fixture(scope="session")
def told(archive, tmp_path_factory):
    """Publish it and return what publishing says; the bag is at its path."""
    return published(archive, tmp_path_factory.mktemp("bags") / "bag")
