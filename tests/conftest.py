"""What every test file shares."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

# A busy machine is no fault of the code: no test is judged by how long drawing its data takes.
settings.register_profile("fullhide", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("fullhide")
