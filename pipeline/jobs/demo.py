"""The sample station, copied to a folder of the user's choice."""

from __future__ import annotations

import importlib.util
import shutil
from pathlib import Path

from pipeline.errors import Fault, PlantFileError

_PARTS = ("plant.toml", "events.csv", "survey.csv", "acknowledgements.csv", "curves", "exports")


def prepare_demo(folder: str | Path) -> Path:
    """Copy the sample station into a folder.

    Parameters
    ----------
    folder : str or Path
        New, empty, or one that holds an earlier demo.

    Returns
    -------
    Path
        The plant file in it.

    Raises
    ------
    PlantFileError
        If the folder holds something else, or the sample is not installed.
    """
    target = Path(folder).expanduser().resolve()
    if target.is_dir() and any(target.iterdir()) and not (target / "plant.toml").is_file():
        fault = Fault(str(target), "a folder with other files", "a new or empty folder")
        raise PlantFileError("The demo needs a folder of its own.", [fault])
    source = _sample_folder()
    target.mkdir(parents=True, exist_ok=True)
    for part in _PARTS:
        origin = source / part
        if origin.is_dir():
            shutil.copytree(origin, target / part, dirs_exist_ok=True)
        elif origin.is_file():
            shutil.copy2(origin, target / part)
    return target / "plant.toml"


def _sample_folder() -> Path:
    spec = importlib.util.find_spec("sample_exports")
    places = list(spec.submodule_search_locations or []) if spec is not None else []
    places.append(str(Path(__file__).parents[2] / "sample_exports"))
    root = next((Path(p) for p in places if Path(p, "plant.toml").is_file()), None)
    if root is None:
        fault = Fault("sample_exports", "no sample station", "the sample shipped with gaugeless")
        raise PlantFileError("The sample station is not installed.", [fault])
    return root
