"""Density and vapour pressure of what a suction line draws, interval by interval."""

from __future__ import annotations

import numpy as np

from pipeline.assembly.grid_view import Floats, GridView
from pipeline.hydraulics.water import (
    water_density,
    water_saturation_temperature,
    water_vapour_pressure,
)
from pipeline.plant import Liquid, SuctionSource

_COLDEST, _HOTTEST = 273.2, 473.0


def liquid_properties(
    liquid: Liquid,
    source: SuctionSource,
    view: GridView,
    surface_pressure: Floats,
    atmosphere: float,
) -> tuple[Floats, Floats]:
    """Give density and vapour pressure of the liquid of a source.

    Parameters
    ----------
    liquid : Liquid
        The plant's liquid.
    source : SuctionSource
        What the line draws from; a vessel may have a temperature of its own, and the water in
        a deaerator is at saturation.
    view : GridView
        Measurements of the span.
    surface_pressure : ndarray of float64, shape (n_intervals,)
        Gauge pressure on the liquid [Pa]; NaN where not known.
    atmosphere : float
        Atmospheric pressure [Pa].

    Returns
    -------
    density, vapour_pressure : ndarray of float64, shape (n_intervals,)
        [kg/m³], [Pa absolute]; NaN where not known.
    """
    n = len(view)
    if source.kind == "deaerator":
        temperature = source_temperature(source, view)
        boiling = water_saturation_temperature(surface_pressure + atmosphere, out_of_range="nan")
        temperature = np.where(np.isfinite(temperature), temperature, boiling)
        return _water(temperature, surface_pressure, atmosphere)
    if liquid.density is not None:
        vapour = np.nan if liquid.vapour_pressure is None else liquid.vapour_pressure
        return np.full(n, liquid.density), np.full(n, vapour)
    temperature = np.full(n, np.nan if liquid.temperature is None else liquid.temperature)
    for tag in (liquid.temperature_tag, source.temperature_tag):
        if tag is not None:
            read = _plausible(view.value(tag))
            temperature = np.where(np.isfinite(read), read, temperature)
    return _water(temperature, surface_pressure, atmosphere)


def source_temperature(source: SuctionSource, view: GridView) -> Floats:
    """Give the temperature measured at a source; NaN where none is [K]."""
    return _plausible(view.value(source.temperature_tag))


def _plausible(temperature: Floats) -> Floats:
    # A thermometer outside the liquid range of water is broken, not a reason to stop.
    inside = (temperature > _COLDEST) & (temperature < _HOTTEST)
    return np.where(inside, temperature, np.nan)


def _water(
    temperature: Floats, surface_pressure: Floats, atmosphere: float
) -> tuple[Floats, Floats]:
    temperature = _plausible(temperature)
    vapour = np.asarray(water_vapour_pressure(temperature))
    # Below the surface water is under more pressure than on it; it boils nowhere in the line.
    pressure = np.fmax(np.nan_to_num(surface_pressure) + atmosphere, vapour)
    return np.asarray(water_density(temperature, pressure, out_of_range="nan")), vapour
