"""Settings of the physics tests."""

import pytest

from pipeline.hydraulics.water import water_density


@pytest.fixture(autouse=True, scope="session")
def _water_tables():
    """Build the water tables once, so that no test is charged for them."""
    water_density(300.0)
