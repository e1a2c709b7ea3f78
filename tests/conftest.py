"""What every test file shares."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, settings

# A busy machine is no fault of the code: no test is judged by how long drawing its data takes.
settings.register_profile("fullhide", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("fullhide")


def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    """Windows share one screen, its pointer and its keyboard: one process shows them all."""
    for item in items:
        if item.path.name.startswith("test_viewer_"):
            item.add_marker(pytest.mark.xdist_group("screen"))
