"""How far published tables predict a temperature that was left out of them, and whether the windows hold what they say.

Leave one temperature out: the curve is made again without the rows at one temperature and asked for it. *Within one
study* the rows of one paper stand alone, as a keeper's own records would; *whole species* takes all rows of a
profile, studies mixed. *Other studies*: a whole paper is left out and forecast from the others, which is what a new
house is to the table. *Inside*: between the coldest and the warmest temperature that is left; *outside*: beyond them.

The tables give the mean days of a treatment, hardly ever of one clutch and never of one box. So three things are
covered, each by what the model says of it:

* an egg: the program's own window for a single egg (m + e - b), against the eggs of a treatment, taken as normal about
  its mean with its standard deviation; treatments of five eggs or more that give one. This is what a keeper is told.
* the mean of a treatment, as if all of it had been one clutch in one box (m - b + e / sqrt(n)): too wide a window,
  since a treatment is several clutches in several boxes.
* the same mean by the part of m alone that belongs to the published curve and its population (and e / sqrt(n)).

No probe's uncertainty is added: the laboratory's thermometer is in the published days.
"""

from __future__ import annotations

import csv
import functools
import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import numpy.typing as npt

from monitor.config.library import list_profiles
from monitor.core.climate.box_temperature import ProbesError
from monitor.core.development.evidence import BoxEvidence, Spread
from monitor.core.development.forecast import update
from monitor.core.development.history import History
from monitor.core.development.line import fit_line
from monitor.core.development.lots import _spread
from monitor.core.development.species import Profile, ProfileSpread, Row, _columns, curve_of, sane_line
from monitor.core.maths import student_t
from monitor.errors import ModelOutOfRange
from tests.bench import Figures
from tests.peers import PROJECT, shared

Array = npt.NDArray[np.float64]

MOST_ERROR_DAYS, MOST_ERROR_PCT = 1.6, 2.8
# Tables that came after that promise was made, of means of fewer eggs and theses: their own figures stand beside.
LATER = (
    "chelonoidis-carbonarius", "malaclemys-terrapin", "natator-depressus", "podocnemis-sextuberculata",
    "podocnemis-unifilis", "podocnemis-vogli", "pseudemys-concinna", "testudo-hermanni",
)  # fmt: skip
# Where the warmest temperature of a paper is asked of the others.
MOST_WARMER_ERROR_DAYS = 3.5
COVERAGE_PCT = (75.0, 88.0)
# A temperature left out of its own study is forecast by the paper itself, while a window is made for a further house:
# there it holds more eggs.
MOST_WITHIN_STUDY_PCT = 90.0
PLOT = PROJECT / "tests" / "reference" / "reliability.svg"
PROBABILITIES = tuple(round(0.05 * i, 2) for i in range(1, 20))
P5, P10, P90, P95 = (PROBABILITIES.index(p) for p in (0.05, 0.1, 0.9, 0.95))
# A standard deviation of fewer eggs says little.
LEAST_EGGS = 5
COLLECTION = "Reptile Development Database (Noble et al. 2018, Scientific Data 5:180138)"


@dataclass(frozen=True)
class Table:
    """Rows that are taken together, and the spread that goes with them."""

    name: str
    rows: tuple[Row, ...]
    profile: Profile


@dataclass(frozen=True)
class LeftOut:
    """One temperature predicted from the others. ``days`` of each curve; None where that curve refuses. ``side``:
    "inside" the others, "colder" or "warmer" than all of them.

    ``*_days_at``: the forecast's quantiles in days at PROBABILITIES, of an egg, and of a treatment's mean in two ways.
    """

    table: str
    species: str
    temperature_c: float
    side: str
    nearest_c: float
    eggs: int
    observed_days: float
    published_days: float
    line_days: float | None
    q10_days: float | None
    egg_days_at: Array
    one_box_days_at: Array
    curve_days_at: Array
    treatments: tuple[Row, ...]

    @property
    def inside(self) -> bool:
        return self.side == "inside"

    @property
    def log_error(self) -> float:
        return math.log(self.published_days / self.observed_days)


def profiles() -> list[Profile]:
    """The shipped profiles that have a published table or figure."""
    return [p for p in list_profiles().profiles if p.status == "table" and p.grade != "no source"]


def within_studies(of: Iterable[Profile]) -> list[Table]:
    """One table for each paper of each profile."""
    tables = []
    for profile in of:
        for paper in sorted({row.paper for row in profile.rows}):
            rows = tuple(row for row in profile.rows if row.paper == paper)
            tables.append(Table(f"{profile.id}, {paper}", rows, profile))
    return tables


def whole_species(of: Iterable[Profile]) -> list[Table]:
    return [Table(profile.id, profile.rows, profile) for profile in of]


def as_collected() -> list[Table]:
    """Every study of the collected table as it stands: double entries, mistakes and flat tables included."""
    some = profiles()[0]
    plain = replace(some, spread=ProfileSpread())
    found: dict[tuple[str, str], list[Row]] = {}
    with shared("data", "species_constant_temperature_points.csv").open(encoding="utf-8") as file:
        for line in csv.DictReader(file):
            row = Row(
                float(line["temperature_c"]),
                float(line["mean_incubation_days"]),
                line["study"],
                round(float(line["n_eggs"])) if line["n_eggs"] else None,
                float(line["sd_days"]) if line["sd_days"] else None,
            )
            found.setdefault((line["species"].strip(), line["citation"]), []).append(row)
    return [
        Table(f"{species}, {rows[0].paper}", tuple(rows), replace(plain, id=species))
        for (species, _), rows in found.items()
    ]


def usable(tables: Iterable[Table]) -> list[Table]:
    """Those that the program would take as a profile."""
    return [t for t in tables if len({row.temperature_c for row in t.rows}) > 1 and not sane_line(t.rows)[1]]


# --- leaving out ------------------------------------------------------------------------------------------------


def leave_out(tables: Iterable[Table]) -> list[LeftOut]:
    """Every temperature of every table with three or more, predicted from the other ones."""
    found = []
    for table in tables:
        temperatures = sorted({row.temperature_c for row in table.rows})
        if len(temperatures) < 3:
            continue
        for temperature_c in temperatures:
            rest = [row for row in table.rows if row.temperature_c != temperature_c]
            gone = [row for row in table.rows if row.temperature_c == temperature_c]
            one = _predicted(table, rest, gone, temperature_c)
            if one is not None:
                found.append(one)
    return found


def leave_out_study(of: Iterable[Profile]) -> list[LeftOut]:
    """Every temperature of every paper, predicted from the profile's other papers."""
    found = []
    for profile in of:
        for paper in sorted({row.paper for row in profile.rows}):
            rest = [row for row in profile.rows if row.paper != paper]
            if len({row.temperature_c for row in rest}) < 2:
                continue
            table = Table(f"{profile.id}, without {paper}", profile.rows, profile)
            for temperature_c in sorted({row.temperature_c for row in profile.rows if row.paper == paper}):
                gone = [row for row in profile.rows if row.paper == paper and row.temperature_c == temperature_c]
                one = _predicted(table, rest, gone, temperature_c)
                if one is not None:
                    found.append(one)
    return found


def _predicted(table: Table, rest: Sequence[Row], gone: Sequence[Row], temperature_c: float) -> LeftOut | None:
    columns = _columns(rest)
    try:
        curve = curve_of(rest)
    except ModelOutOfRange:
        # Not faster where it is warmer: no curve is made of such rows, and none would be shipped.
        return None
    rate = float(curve.rate_per_day(temperature_c))
    if rate <= 0.0:
        return None
    days = 1.0 / rate
    eggs = [row.eggs or 1 for row in gone]
    spread = _spread(table.profile, curve, [_at_constant(temperature_c)])
    rounded = replace(spread, sigma_m=round(spread.sigma_m, 4))
    return LeftOut(
        table=table.name,
        species=table.profile.id,
        temperature_c=temperature_c,
        side="colder" if temperature_c < curve.low_c else "warmer" if temperature_c > curve.high_c else "inside",
        nearest_c=min(abs(row.temperature_c - temperature_c) for row in rest),
        eggs=sum(eggs),
        observed_days=float(np.average([row.days for row in gone], weights=eggs)),
        published_days=days,
        line_days=_line_days(*columns, temperature_c),
        q10_days=_q10_days(*columns, temperature_c),
        egg_days_at=days * _egg(rounded),
        one_box_days_at=days * _mean(rounded, sum(eggs), spread.scale_box),
        curve_days_at=days * _mean(replace(rounded, sigma_m=_of_curve(spread)), sum(eggs), 0.0),
        treatments=tuple(gone),
    )


def _line_days(t: Array, days: Array, eggs: Array, temperature_c: float) -> float | None:
    line = fit_line(t, days, eggs)
    above = temperature_c - line.base_c
    return line.constant_degree_days / above if above > 0.0 else None


def _q10_days(t: Array, days: Array, eggs: Array, temperature_c: float) -> float | None:
    """The logarithm of the rate as a straight line of temperature: one Q10 for the whole table."""
    slope, at_0 = np.polyfit(t, -np.log(days), 1, w=np.sqrt(eggs))
    return math.exp(-(at_0 + slope * temperature_c))


def _at_constant(temperature_c: float) -> History:
    """A history of one hour: all that the forecast's spread looks at is where the table was asked."""
    one = np.ones(1)
    return History(
        edge_ms=np.array([0, 3_600_000]),
        cumulative=np.zeros(2),
        degree_days=np.zeros(2),
        temperature_c=temperature_c * one,
        weight_s=3600.0 * one,
        filled_s=0.0,
        unknown_s=0.0,
        development_sd=0.0,
        how={},
        error=ProbesError(0.0),
        compared=True,
        now_ms=3_600_000,
    )


def _of_curve(spread: Spread) -> float:
    """Standard deviation of what the published curve and its population share."""
    return spread.sigma_m * math.sqrt(spread.curve_share)


@functools.cache
def _egg(spread: Spread) -> Array:
    """Development at which a single egg has pipped, at PROBABILITIES: by the program's own forecast."""
    return update([BoxEvidence("box", 1, 0.0)], spread).first("box", PROBABILITIES)


@functools.cache
def _mean(spread: Spread, eggs: int, scale_box: float) -> Array:
    """The same of the mean of ``eggs`` eggs: m - b + e / sqrt(n); the eggs' part as normal (variance of t4: 2)."""
    sigma = math.hypot(spread.sigma_m, spread.scale_egg * math.sqrt(2.0 / eggs))
    step = 1e-3
    most = round(1.0 / step)
    chance = np.cumsum(student_t.cells(-most, most, step, sigma=sigma, scale=scale_box))
    log_development = np.interp(PROBABILITIES, chance, (np.arange(-most, most + 1) + 0.5) * step)
    return np.asarray(np.exp(log_development))


# --- what is covered --------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Coverage:
    """``below``: share found below the forecast's quantile at each of PROBABILITIES; widths are means of p90 - p10."""

    n: int
    below: Array
    width_days: float
    width_pct: float

    @property
    def within_80_pct(self) -> float:
        return 100.0 * float(self.below[P90] - self.below[P10])

    @property
    def within_90_pct(self) -> float:
        return 100.0 * float(self.below[P95] - self.below[P5])


def _by_curve(one: LeftOut) -> Array:
    return one.curve_days_at


def _one_box(one: LeftOut) -> Array:
    return one.one_box_days_at


def of_means(found: Sequence[LeftOut], quantiles: Callable[[LeftOut], Array]) -> Coverage:
    at = [quantiles(one) for one in found]
    below = np.mean([one.observed_days <= q for one, q in zip(found, at, strict=True)], axis=0)
    return _coverage(below, at, found)


def of_eggs(found: Sequence[LeftOut]) -> Coverage:
    """Every treatment weighs the same, however many eggs it had."""
    told = [
        (one, row)
        for one in found
        for row in one.treatments
        if row.sd_days and row.eggs is not None and row.eggs >= LEAST_EGGS
    ]
    below = np.mean([_normal((one.egg_days_at - row.days) / row.sd_days) for one, row in told if row.sd_days], axis=0)
    return _coverage(below, [one.egg_days_at for one, _ in told], [one for one, _ in told])


def _coverage(below: Array, at: Sequence[Array], of: Sequence[LeftOut]) -> Coverage:
    widths = [float(q[P90] - q[P10]) for q in at]
    relative = [width / one.published_days for width, one in zip(widths, of, strict=True)]
    return Coverage(len(at), np.asarray(below), float(np.mean(widths)), 100.0 * float(np.mean(relative)))


def _normal(z: Array) -> Array:
    return np.array([0.5 * math.erfc(-float(x) / math.sqrt(2.0)) for x in z])


def _relative(found: Sequence[LeftOut]) -> Array:
    return np.array([one.published_days / one.observed_days - 1.0 for one in found])


def _errors(prefix: str, found: Sequence[LeftOut]) -> dict[str, float | int]:
    days = np.array([one.published_days - one.observed_days for one in found])
    share = _relative(found)
    return {
        f"{prefix}_n": len(found),
        f"{prefix}_mean_error_days": float(np.mean(np.abs(days))),
        f"{prefix}_median_error_days": float(np.median(np.abs(days))),
        f"{prefix}_mean_error_pct": 100.0 * float(np.mean(np.abs(share))),
        f"{prefix}_median_error_pct": 100.0 * float(np.median(np.abs(share))),
        f"{prefix}_late_by_days": float(np.mean(days)),
    }


def _covered(prefix: str, found: Coverage) -> dict[str, float | int]:
    return {
        f"{prefix}_n": found.n,
        f"{prefix}_in_10_90_pct": found.within_80_pct,
        f"{prefix}_in_5_95_pct": found.within_90_pct,
        f"{prefix}_10_90_width_days": found.width_days,
        f"{prefix}_10_90_width_pct": found.width_pct,
    }


# --- which curve ------------------------------------------------------------------------------------------------

CURVES: Mapping[str, Callable[[LeftOut], float | None]] = {
    "published": lambda one: one.published_days,
    "line": lambda one: one.line_days,
    "q10": lambda one: one.q10_days,
}


def _curve_error(found: Sequence[LeftOut], days: Callable[[LeftOut], float | None]) -> float:
    """Mean absolute error in per cent; a temperature at which a curve says 'never' counts as wholly wrong."""
    errors = []
    for one in found:
        told = days(one)
        errors.append(1.0 if told is None else min(abs(told / one.observed_days - 1.0), 1.0))
    return 100.0 * float(np.mean(errors))


def best_curves(found: Sequence[LeftOut]) -> dict[str, dict[str, float]]:
    """Profile -> curve -> mean error in per cent at its inner temperatures."""
    species = sorted({one.species for one in found})
    return {
        name: {
            curve: _curve_error([one for one in found if one.species == name], days) for curve, days in CURVES.items()
        }
        for name in species
    }


def _choice(within: Sequence[LeftOut]) -> tuple[dict[str, float | int | str], list[str]]:
    """Figures of the choice of the curve, and the profiles for which the straight line is clearly better: by a full
    per cent of the days on average, over three temperatures or more.
    """
    inside = [one for one in within if one.inside]
    figures: dict[str, float | int | str] = {
        f"within_study_inside_{curve}_mean_error_pct": _curve_error(inside, days) for curve, days in CURVES.items()
    }
    errors = best_curves(inside)
    winners = {name: min(by, key=by.__getitem__) for name, by in errors.items()}
    for curve in CURVES:
        figures[f"profiles_best_with_{curve}"] = sum(winner == curve for winner in winners.values())
    for name, by in errors.items():
        key = name.replace("-", "_")
        figures[f"curve_{key}"] = winners[name]
        figures |= {f"curve_{key}_{curve}_mean_error_pct": error for curve, error in by.items()}
    many = {name for name in errors if sum(one.species == name for one in inside) >= 3}
    clearly = [name for name in many if errors[name]["line"] < errors[name]["published"] - 1.0]
    return figures, sorted(clearly)


# --- all of it --------------------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Sides:
    """What was left out, by side."""

    inside: list[LeftOut]
    outside: list[LeftOut]
    refused: int

    @staticmethod
    def of(tables: Sequence[Table]) -> Sides:
        found = leave_out(tables)
        each = [len({row.temperature_c for row in table.rows}) for table in tables]
        return Sides.split(found, sum(n for n in each if n >= 3) - len(found))

    @staticmethod
    def split(found: Sequence[LeftOut], refused: int = 0) -> Sides:
        return Sides([one for one in found if one.inside], [one for one in found if not one.inside], refused)


@functools.lru_cache(maxsize=1)
def shipped_sides() -> tuple[Sides, Sides, Sides]:
    """(within one study, whole species, other studies) of the library as shipped."""
    known = profiles()
    return Sides.of(within_studies(known)), Sides.of(whole_species(known)), Sides.split(leave_out_study(known))


def measure(svg: str = "") -> Figures:
    """Errors and coverage; ``--svg FILE`` writes the reliability plot as well."""
    study, species, others = shipped_sides()
    figures: dict[str, float | int | str | bool | None] = {
        "profiles": len({one.species for one in (*species.inside, *species.outside)}),
        "studies": len({one.table for one in (*study.inside, *study.outside)}),
    }
    for name, sides in (("within_study", study), ("whole_species", species), ("other_studies", others)):
        for side, found in (("inside", sides.inside), ("outside", sides.outside)):
            figures |= _errors(f"{name}_{side}", found)
            figures |= _covered(f"{name}_{side}_eggs", of_eggs(found))
            figures |= _covered(f"{name}_{side}_means_one_box", of_means(found, _one_box))
            figures |= _covered(f"{name}_{side}_means_curve_only", of_means(found, _by_curve))
        for side in ("colder", "warmer"):
            found = [one for one in sides.outside if one.side == side]
            figures |= _errors(f"{name}_{side}", found)
            figures |= _covered(f"{name}_{side}_means_curve_only", of_means(found, _by_curve))
    plain = [replace(p, spread=ProfileSpread()) for p in profiles()]
    for name, tables in (("within_study", within_studies(plain)), ("whole_species", whole_species(plain))):
        sides = Sides.of(tables)
        figures[f"{name}_refused_n"] = sides.refused
        for side, found in (("inside", sides.inside), ("outside", sides.outside)):
            figures[f"{name}_{side}_eggs_general_spread_in_10_90_pct"] = of_eggs(found).within_80_pct
    plainly = of_eggs(Sides.split(leave_out_study(plain)).inside)
    figures["other_studies_inside_eggs_general_spread_in_10_90_pct"] = plainly.within_80_pct
    collected = as_collected()
    for name, tables in (("collected", collected), ("collected_usable", usable(collected))):
        sides = Sides.of(tables)
        figures |= _errors(f"{name}_within_study_inside", sides.inside)
        figures |= _errors(f"{name}_within_study_outside", sides.outside)
    figures |= _errors("within_study_inside_first_tables", [one for one in study.inside if one.species not in LATER])
    figures |= _errors("within_study_inside_later_tables", [one for one in study.inside if one.species in LATER])
    choice, line_better = _choice(study.inside)
    figures |= choice
    figures["line_clearly_better"] = ", ".join(line_better) or "none"
    if svg:
        Path(svg).write_text(plot(), encoding="utf-8")
        figures["svg"] = svg

    short = []
    for key, most in (("mean_error_days", MOST_ERROR_DAYS), ("mean_error_pct", MOST_ERROR_PCT)):
        value = figures[f"within_study_inside_first_tables_{key}"]
        assert isinstance(value, float)
        if value > most:
            short.append(f"within one study and inside the table the {key} is {value:.2f}, more than {most:g}")
    warmer = figures["within_study_warmer_mean_error_days"]
    assert isinstance(warmer, float)
    if warmer > MOST_WARMER_ERROR_DAYS:
        short.append(f"above the table the mean error is {warmer:.1f} d, more than {MOST_WARMER_ERROR_DAYS:g}")
    for key in ("within_study_inside_eggs", "whole_species_inside_eggs", "other_studies_inside_eggs"):
        value = figures[f"{key}_in_10_90_pct"]
        assert isinstance(value, float)
        most = MOST_WITHIN_STUDY_PCT if key.startswith("within") else COVERAGE_PCT[1]
        if not COVERAGE_PCT[0] <= value <= most:
            short.append(f"{key}: {value:.1f} % lie in the 10 to 90 % window, not {COVERAGE_PCT[0]:g} to {most:g} %")
    published = figures["within_study_inside_published_mean_error_pct"]
    rivals = [figures[f"within_study_inside_{c}_mean_error_pct"] for c in CURVES if c != "published"]
    if any(isinstance(o, float) and isinstance(published, float) and o < published for o in rivals):
        short.append("another curve predicts the temperatures inside the tables better than the one shipped")
    inside = figures["collected_usable_within_study_inside_mean_error_days"]
    share = figures["collected_usable_within_study_inside_mean_error_pct"]
    notes = [
        f"tables: the shipped library, figures as collected in the {COLLECTION}",
        "collected: the same collection as it stands, with double entries, mis-keyed rows and flat tables",
        f"collected_usable: its studies that the program would accept ({inside:.2f} d, {share:.2f} % inside)",
        "eggs: what the program's window for one egg covers, promised inside: 75 to 88 %, within a study up to 90",
        "general_spread: with the starting spread everywhere; wider ones come from the scatter of these very tables",
        "means: a treatment is several clutches in several boxes; the curve's part of m is the fair comparison",
        "refused: temperatures without which the rest does not get faster when warmer, or stands still there",
    ]
    return Figures(figures, short, notes)


# --- the plot ---------------------------------------------------------------------------------------------------


def reliability() -> dict[str, tuple[Coverage, str, str]]:
    """Line -> (coverage, colour, dashes) of the plot and the table beside it."""
    study, _, others = shipped_sides()
    return {
        "eggs, inside, within one study": (of_eggs(study.inside), "#0b5394", ""),
        "eggs, inside, from other studies": (of_eggs(others.inside), "#b45f06", "7 3"),
        "eggs, outside the table": (of_eggs(study.outside), "#666666", "2 3"),
        "means, inside, the curve's part": (of_means(study.inside, _by_curve), "#38761d", "9 3 2 3"),
    }


def text_table() -> str:
    """The plot as text: how often a forecast's quantile was not passed."""
    lines = reliability()
    shown = (0.05, 0.1, 0.25, 0.5, 0.75, 0.9, 0.95)
    width = max(len(name) for name in lines)
    rows = [" " * width + "    n " + "".join(f"{100 * p:6.0f} %" for p in shown) + "   10-90"]
    for name, (found, _, _) in lines.items():
        values = "".join(f"{100 * float(found.below[PROBABILITIES.index(p)]):6.0f} %" for p in shown)
        rows.append(f"{name:<{width}} {found.n:4d} {values} {found.within_80_pct:5.0f} %")
    return "\n".join(rows)


def plot() -> str:
    """The reliability plot: how often the forecast's quantiles hold what they say."""
    left, top, side = 64.0, 40.0, 360.0

    def x(p: float) -> str:
        return f"{left + side * p:.1f}"

    def y(p: float) -> str:
        return f"{top + side * (1.0 - p):.1f}"

    lines = reliability()
    told = "; ".join(f"{name}: {found.within_80_pct:.0f} % in 10 to 90" for name, (found, _, _) in lines.items())
    title = "Do the forecast windows hold what they say?"
    out = [
        '<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 760 470" role="img" aria-labelledby="t d"',
        'font-family="sans-serif" font-size="13">',
        f'<title id="t">{title}</title>',
        '<desc id="d">How many eggs had hatched by the forecast quantile, against the probability of the quantile. The',
        "diagonal is a forecast that is exactly as sure as it says. Every temperature of the published tables was left",
        f"out once, and every study once, and forecast from the others. {told}.</desc>",
        '<rect width="760" height="470" fill="#ffffff"/>',
        f'<text x="{left}" y="24" font-size="15" font-weight="bold">{title}</text>',
    ]
    for p in (0.0, 0.25, 0.5, 0.75, 1.0):
        out += [
            f'<path d="M{x(p)} {y(0)}V{y(1)}M{x(0)} {y(p)}H{x(1)}" stroke="#dddddd" fill="none"/>',
            f'<text x="{x(p)}" y="{top + side + 18:.1f}" text-anchor="middle">{100 * p:.0f}</text>',
            f'<text x="{left - 8:.1f}" y="{float(y(p)) + 4:.1f}" text-anchor="end">{100 * p:.0f}</text>',
        ]
    out += [
        f'<path d="M{x(0)} {y(0)}L{x(1)} {y(1)}" stroke="#000000" fill="none"/>',
        f'<text x="{x(0.5)}" y="{top + side + 42:.1f}" text-anchor="middle">forecast: chance by then (%)</text>',
        f'<text transform="translate(20 {y(0.5)}) rotate(-90)" text-anchor="middle">found: hatched by then (%)</text>',
    ]
    for i, (name, (found, colour, dashes)) in enumerate(lines.items()):
        points = " ".join(f"{x(p)},{y(float(b))}" for p, b in zip(PROBABILITIES, found.below, strict=True))
        style = f'fill="none" stroke="{colour}" stroke-width="2"' + (f' stroke-dasharray="{dashes}"' if dashes else "")
        at = 70 + 46 * i
        out += [
            f'<polyline points="{points}" {style}/>',
            f'<path d="M442 {at}H476" {style}/>',
            f'<text x="484" y="{at + 4}">{name}</text>',
            f'<text x="484" y="{at + 20}" fill="#444444">n {found.n}; 10-90 holds {found.within_80_pct:.0f} %</text>',
        ]
    out += [
        '<text x="442" y="300" fill="#444444">Published tables: one temperature, or one</text>',
        '<text x="442" y="317" fill="#444444">study, left out and forecast from the others.</text>',
        "</svg>",
        "",
    ]
    return "\n".join(out)
