"""Settings of the physics tests."""

import pytest
from hypothesis import settings

from pipeline.hydraulics.water import water_density

# A busy machine must not fail a property: time is no part of any of them.
settings.register_profile("hydraulics", deadline=None, max_examples=60)
settings.load_profile("hydraulics")


@pytest.fixture(autouse=True, scope="session")
def _water_tables():
    """Build the water tables once, so that no test is charged for them."""
    water_density(300.0)
