"""Which rate model predicts a left-out temperature best: the joined table, straight lines, the biophysical one.

Every study of the collected table that the program would accept and that has six temperatures or more; each inner
temperature is left out in turn and asked of models made from the others. All models answer the same questions:

* the published figures joined by a shape-keeping cubic, which is what the service uses;
* the straight line by the x-intercept method (Campbell et al. 1974), and by reduced major axis (Ikemoto & Takai 2000);
* the biophysical model in its four-parameter form (Schoolfield et al. 1981), by least squares of the logarithm of days.

The last three serve in no forecast; this is where they are held against the one that does.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable

import numpy as np
import numpy.typing as npt
from scipy.optimize import least_squares

from monitor.core.development.curves import PublishedRates, RateCurve
from monitor.core.development.line import fit_line
from monitor.errors import ModelOutOfRange
from tests.bench import Figures
from tests.bench.library import Table, as_collected, usable
from tests.oracles.rate_models import Schoolfield, StraightLine, ikemoto_takai, schoolfield

Array = npt.NDArray[np.float64]
Maker = Callable[[Array, Array, Array], RateCurve]

LEAST_TEMPERATURES = 6
# Rate at 25 C (1/day), HA and HH (cal/mol), TH (K): wide bounds about what fits of this family give for animals.
LOWEST, HIGHEST = np.array([1e-3, 2e3, 2e4, 300.0]), np.array([0.2, 6e4, 4e5, 330.0])
BEGINS = ((0.015, 1.5e4, 6e4, 307.0), (0.02, 2.5e4, 1e5, 311.0))


def straight(t: Array, days: Array, eggs: Array) -> RateCurve:
    fit = fit_line(t, days, eggs)
    return StraightLine(fit.base_c, fit.constant_degree_days, fit.low_c, fit.high_c)


def reduced_major_axis(t: Array, days: Array, eggs: Array) -> RateCurve:
    fit = ikemoto_takai(t, days)
    return StraightLine(fit.base_c, fit.constant_degree_days, float(t.min()), float(t.max()))


def biophysical(t: Array, days: Array, eggs: Array) -> RateCurve:
    """The best of the fits from each beginning."""
    low_c, high_c = float(t.min()), float(t.max())

    def made(p: Array) -> Schoolfield:
        return Schoolfield(float(p[0]), float(p[1]), float(p[2]), float(p[3]), low_c, high_c)

    def off(p: Array) -> Array:
        # By the formula: the curve of pieces that stands for it is made of the best alone.
        rate, _ = schoolfield(t, float(p[0]), float(p[1]), [(float(p[2]), float(p[3]))])
        return np.asarray(np.sqrt(eggs) * np.log(rate * days), np.float64)

    # In units in which a step of one is a small one for each.
    scale = HIGHEST - LOWEST
    fits = [
        least_squares(lambda u: off(LOWEST + u * scale), (np.array(b) - LOWEST) / scale, bounds=(0.0, 1.0), max_nfev=80)
        for b in BEGINS
    ]
    best = min(fits, key=lambda fit: float(fit.cost))
    return made(LOWEST + best.x * scale)


MODELS: dict[str, Maker] = {
    "joined": PublishedRates,
    "line": straight,
    "reduced_major_axis": reduced_major_axis,
    "biophysical": biophysical,
}


def compare(tables: Iterable[Table]) -> dict[str, list[float]]:
    """Model -> relative error (0.03: 3 % too many days) at every inner temperature; 1 where it says never."""
    errors: dict[str, list[float]] = {name: [] for name in MODELS}
    for table in tables:
        t, days, eggs = (
            np.array(column)
            for column in zip(*((r.temperature_c, r.days, float(r.eggs or 1)) for r in table.rows), strict=True)
        )
        temperatures = np.unique(t)
        if temperatures.size < LEAST_TEMPERATURES:
            continue
        for left_out in temperatures[1:-1].tolist():
            gone = t == left_out
            rest = (t[~gone], days[~gone], eggs[~gone])
            try:
                PublishedRates(*rest)
            except ModelOutOfRange:
                continue
            observed = float(np.average(days[gone], weights=eggs[gone]))
            for name, make in MODELS.items():
                errors[name].append(_error(make, rest, left_out, observed))
    return errors


def _error(make: Maker, rest: tuple[Array, Array, Array], temperature_c: float, observed_days: float) -> float:
    try:
        rate = float(make(*rest).rate_per_day(temperature_c))
    except ModelOutOfRange:
        return 1.0
    return min(1.0 / rate / observed_days - 1.0, 1.0) if rate > 0.0 else 1.0


def measure(every: int = 1) -> Figures:
    """Mean and middle absolute error of each model, and by how much it is late on average; of each so many tables."""
    tables = usable(as_collected())[::every]
    errors = compare(tables)
    figures: dict[str, float | int | str | bool | None] = {"temperatures": len(errors["joined"])}
    means = {}
    for name, found in errors.items():
        size = 100.0 * np.abs(found)
        means[name] = float(np.mean(size))
        figures[f"{name}_mean_error_pct"] = means[name]
        figures[f"{name}_median_error_pct"] = float(np.median(size))
        figures[f"{name}_late_by_pct"] = 100.0 * float(np.mean(found))
    better = [name for name, mean in means.items() if mean < means["joined"]]
    short = [f"{name} predicts what was left out better than the model that serves" for name in better]
    notes = ["a model that gives no rate at a temperature counts as wholly wrong there"]
    return Figures(figures, short, notes)
