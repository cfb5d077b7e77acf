"""Settings for all tests."""

from hypothesis import HealthCheck, settings

settings.register_profile("stillwell", max_examples=20, deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("stillwell")
