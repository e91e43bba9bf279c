"""Small stations with all their files, and what one backfill makes of them."""

from __future__ import annotations

import shutil
from collections.abc import Callable
from pathlib import Path

import pytest
from small_station import DAYS, SmallStation

from pipeline.jobs.nightly import run_plant


@pytest.fixture
def station(tmp_path: Path) -> SmallStation:
    """A station without any export yet."""
    return SmallStation(tmp_path / "station")


@pytest.fixture(scope="session")
def backfilled(tmp_path_factory: pytest.TempPathFactory) -> SmallStation:
    """All days read in one run; not to be changed."""
    station = SmallStation(tmp_path_factory.mktemp("backfill") / "station").bring(*range(DAYS))
    assert run_plant(station.plant).outcome.failures == []
    return station


@pytest.fixture
def copy_of(tmp_path: Path) -> Callable[[SmallStation], SmallStation]:
    """Copy a station with its data, times of files included."""

    def copied(station: SmallStation) -> SmallStation:
        folder = tmp_path / f"copy{len(list(tmp_path.iterdir()))}"
        shutil.copytree(station.folder, folder, symlinks=True)
        return SmallStation.at(folder)

    return copied
