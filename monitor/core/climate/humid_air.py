"""Humid air: vapour pressure, dew point, vapour pressure deficit and absolute humidity.

Temperatures in C, vapour pressures in hPa unless the name says otherwise. All functions take and return single numbers,
or arrays where they say so.
"""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from monitor.core.terms.arrays import Values
from monitor.errors import ModelOutOfRange

# Magnus formula over water, WMO-No. 8 (2008), p. 1.4-29, constants of Sonntag 1990.
MAGNUS_HPA: Final = 6.112
MAGNUS_FACTOR: Final = 17.62
MAGNUS_C: Final = 243.12
MAGNUS_LOW_C, MAGNUS_HIGH_C = -45.0, 60.0


def saturation_vapour_pressure_hpa(temperature_c: npt.ArrayLike) -> Values:
    """Vapour pressure of saturated air over water: 6.112 exp[17.62 t / (243.12 + t)] (WMO-No. 8, 2008).

    Any shape; valid from -45 to 60 C, ModelOutOfRange beyond or for what is not a number. At 15 to 35 C it lies 0.24
    to 0.31 % below the international standard for water (IAPWS-95), far less than any humidity probe can tell.
    """
    t = np.asarray(temperature_c, dtype=np.float64)
    if not np.all((t >= MAGNUS_LOW_C) & (t <= MAGNUS_HIGH_C)):
        raise ModelOutOfRange(
            f"vapour pressure is known from {MAGNUS_LOW_C:g} to {MAGNUS_HIGH_C:g} C only", where="humidity"
        )
    result: Values = MAGNUS_HPA * np.exp(MAGNUS_FACTOR * t / (MAGNUS_C + t))
    return result


def vapour_pressure_hpa(temperature_c: npt.ArrayLike, humidity_pct: npt.ArrayLike) -> Values:
    """Vapour pressure of air of a relative humidity above 0 to 100 %; any shape, broadcast together."""
    h = np.asarray(humidity_pct, dtype=np.float64)
    if not np.all((h > 0.0) & (h <= 100.0)):
        raise ModelOutOfRange("relative humidity lies above 0 and not above 100 %", where="humidity")
    result: Values = saturation_vapour_pressure_hpa(temperature_c) * h / 100.0
    return result


def dew_point_c(temperature_c: npt.ArrayLike, humidity_pct: npt.ArrayLike) -> Values:
    """Temperature at which the air's vapour is saturated: 243.12 g / (17.62 - g) with g = ln(e / 6.112).

    The inverse of the Magnus formula, so exact with it; a surface colder than this drips. ModelOutOfRange below -45 C,
    where the formula ends: the air is too dry to be that of an egg box.
    """
    g = np.log(vapour_pressure_hpa(temperature_c, humidity_pct) / MAGNUS_HPA)
    result: Values = MAGNUS_C * g / (MAGNUS_FACTOR - g)
    if not np.all(result >= MAGNUS_LOW_C):
        raise ModelOutOfRange(f"the dew point lies below {MAGNUS_LOW_C:g} C", where="humidity")
    return result


def vapour_pressure_deficit_kpa(surface_c: npt.ArrayLike, air_c: npt.ArrayLike, humidity_pct: npt.ArrayLike) -> Values:
    """What drives water out of an egg: saturation at the egg's surface minus the vapour of the air around it.

    Negative where the surface is so cold that water condenses on it.
    """
    result: Values = (saturation_vapour_pressure_hpa(surface_c) - vapour_pressure_hpa(air_c, humidity_pct)) / 10.0
    return result
