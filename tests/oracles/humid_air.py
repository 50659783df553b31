"""Damp air in other measures than those that are shown."""

from __future__ import annotations

from typing import Final

import numpy as np
import numpy.typing as npt

from monitor.core.climate.humid_air import vapour_pressure_hpa
from monitor.core.terms.arrays import Values

KELVIN: Final = 273.15

# Specific gas constant of water vapour, J / (kg K): 8.314462618 / 0.018015 (molar mass of water).
VAPOUR_GAS_CONSTANT: Final = 461.52


def absolute_humidity_g_m3(temperature_c: npt.ArrayLike, humidity_pct: npt.ArrayLike) -> Values:
    """Grams of water in a cubic metre of air: e / (Rw T), the vapour taken as an ideal gas."""
    kelvin = np.asarray(temperature_c, dtype=np.float64) + KELVIN
    pascal = 100.0 * vapour_pressure_hpa(temperature_c, humidity_pct)
    result: Values = 1000.0 * pascal / (VAPOUR_GAS_CONSTANT * kelvin)
    return result
