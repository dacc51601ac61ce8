"""Settings for the whole suite."""

from __future__ import annotations

from hypothesis import settings

# A busy machine is no reason to fail, and a given commit either passes or does not.
settings.register_profile("simfw", deadline=None, derandomize=True)
settings.load_profile("simfw")
