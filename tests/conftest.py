"""Shared by all tests: how hypothesis runs (no deadline: a loaded machine is not a defect)."""

from __future__ import annotations

from hypothesis import HealthCheck, settings

settings.register_profile("ebbmark", deadline=None, suppress_health_check=[HealthCheck.too_slow])
settings.load_profile("ebbmark")
