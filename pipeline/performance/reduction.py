"""Operating points at reference speed and density."""

from __future__ import annotations

import numpy as np
import pandas as pd

from pipeline.errors import ContractError, Fault

REFERENCE_DENSITY = 998.2  # kg/m3, water at 20 degC and one atmosphere, rounded

__all__ = ["REFERENCE_DENSITY", "reduce_points"]


def reduce_points(
    points: pd.DataFrame, power: str = "electrical_power", density: float = REFERENCE_DENSITY
) -> pd.DataFrame:
    """Bring operating points to reference speed and density.

    Parameters
    ----------
    points : DataFrame
        Columns ``flow`` [m3/s], ``total_head`` [m] and the `power` column [W]; optional
        ``speed_ratio`` (speed over reference speed, [-]), ``density`` [kg/m3], and random
        and systematic standard uncertainties ``*_u_random``, ``*_u_systematic`` of the three.
        Any index.
    power : str
        Name of the power column, ``electrical_power`` or ``shaft_power`` [-].
    density : float
        Reference density [kg/m3].

    Returns
    -------
    DataFrame
        Same index; the three columns and their uncertainties where given, reduced.

    Raises
    ------
    ContractError
        When a column is missing.

    Notes
    -----
    Affinity laws: Q ~ n, H ~ n**2, P ~ n**3. They hold for the hydraulics; an electrical
    power scaled this way also assumes that drive and motor efficiency do not change, good
    enough within some 20 % of the reference speed (common practice, no source).
    """
    wanted = ("flow", "total_head", power)
    missing = [name for name in wanted if name not in points.columns]
    if missing:
        faults = [
            Fault(f"column {name}", "nothing", "a column of operating points") for name in missing
        ]
        raise ContractError("Operating points lack columns.", faults)
    ratio = np.ones(len(points))
    if "speed_ratio" in points.columns:
        ratio = points["speed_ratio"].to_numpy(dtype=float)
    weight = np.ones(len(points))
    if "density" in points.columns:
        weight = density / points["density"].to_numpy(dtype=float)
    factors = {"flow": 1.0 / ratio, "total_head": ratio**-2.0, power: ratio**-3.0 * weight}
    # Collected first and framed once: column by column a frame costs more than the physics.
    reduced = {
        column: points[column].to_numpy(dtype=float) * factor
        for name, factor in factors.items()
        for column in (name, f"{name}_u_random", f"{name}_u_systematic")
        if column in points.columns
    }
    return pd.DataFrame(reduced, index=points.index)
