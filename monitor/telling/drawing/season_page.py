"""The season's report as one page: tables and drawings, to be read on a screen or printed on A4, with nothing outside.

Everything that comes from outside (names, notes) is escaped. Nothing is told by colour.
"""

from __future__ import annotations

import html
from collections.abc import Iterable, Sequence
from typing import Final

from monitor.core.season.figures import ASKED_AT, BoxSeason, EggsInBox, StackSeason
from monitor.core.season.met import Matter, by_kind
from monitor.core.terms.formats import (
    name_eggs,
    show_degree_days,
    show_difference,
    show_span,
    show_temperature,
    show_time,
    show_within_difference,
    tell_eggs,
)
from monitor.core.terms.settings import DisplayUnit
from monitor.telling.drawing.course_plot import in_figures, svg_course
from monitor.telling.drawing.season_plots import share_told, svg_development, svg_hatch_order
from monitor.telling.drawing.time_frame import day_and_time
from monitor.telling.season_words import (
    MET_HEAD,
    SeasonScene,
    came_words,
    celsius,
    days,
    days_to,
    lost_words,
    low_high,
    met_row,
    not_kept,
    species_words,
    stack_words,
    sums_in_short,
    told_words,
)

STYLE: Final = """
@page { size: A4; margin: 14mm 14mm 16mm }
* { box-sizing: border-box } h1, h2, h3 { overflow-wrap: anywhere }
body { font: 15px/1.45 system-ui, "Liberation Sans", Arial, sans-serif; color: #1a1a1a; background: #fff;
  margin: 0 auto; max-width: 960px; padding: 1.2em }
h1 { font-size: 1.7em; margin: 0 0 .2em } h2 { font-size: 1.25em; margin: 1.6em 0 .4em; border-bottom: 1px solid #999 }
h3 { font-size: 1.05em; margin: 1.2em 0 .3em } p { margin: .4em 0 } .quiet { color: #555 }
.wide { overflow-x: auto } table { border-collapse: collapse; width: 100%; margin: .4em 0 .8em; font-size: .92em }
caption { text-align: left; font-weight: bold; padding: .3em 0 } thead { display: table-header-group }
th, td { text-align: left; vertical-align: top; padding: .22em 1em .22em 0; border-bottom: 1px solid #ddd }
th { border-bottom: 1px solid #555; font-weight: 600 } td.n, th.n { text-align: right; white-space: nowrap }
td.d { white-space: nowrap } td.l { min-width: 11em } td:first-child { min-width: 7.5em } .keep { break-inside: avoid }
tr.sum td { border-top: 1px solid #555; font-weight: 600 } td, th, li, p { overflow-wrap: anywhere }
td { overflow-wrap: break-word } td:first-child, td.b { overflow-wrap: anywhere } td.b { min-width: 6.5em }
figure { margin: .6em 0 1em; break-inside: avoid } svg { max-width: 100%; height: auto; display: block }
ol.do li { margin: .5em 0; break-inside: avoid } ol.do .why { display: block; color: #444 }
tr { break-inside: avoid } h2, h3, caption, h3 + p { break-after: avoid } .clutch { break-inside: auto }
footer { margin-top: 2em; border-top: 1px solid #999; padding-top: .6em; font-size: .85em; color: #444 }
.wide:focus-visible { outline: 3px solid #1a1a1a }
@media print { body { font-size: 10pt; max-width: none; padding: 0 } table { font-size: .85em }
  th, td { padding-right: .6em } .wide { overflow: visible } a { color: inherit } }
"""

SPANS: Final = 320
"""Of so many a box's course is drawn: with 64 boxes of a season it is as much as a telephone loads at once."""
# Tables of so many rows at most are not parted by the end of a sheet.
MOST_KEPT: Final = 16

ICON: Final = '<link rel="icon" href="/static/icon.svg" type="image/svg+xml">'

CAUTIONS: Final = (
    "Warmtally measures and tells; it is no safety device. Electric heat in damp rooms needs a residual-current "
    "device, an independent over-temperature cut-out and a smoke alarm; ask a licensed electrician, and follow the "
    "rules of your place. Wash your hands after eggs, boxes and animals (Salmonella). For sick or dead animals and for "
    "eggs that failed ask a reptile veterinarian. A window is an estimate: no egg is opened on its word."
)


def page(scene: SeasonScene, style_at: str = "") -> str:
    """The whole file. ``style_at``: an address at which STYLE is found, where the page may not bring it along."""
    season, zone = scene.season, scene.zone
    made = f"By Warmtally, as it was known on {show_time(scene.made_ms, zone)}. Times are those of the room, "
    made += f"temperatures in °{scene.unit}."
    title = f"{season.room}: season {season.name}"
    parts = [
        "<!DOCTYPE html>",
        f'<html lang="en"><head><meta charset="utf-8"><title>{_esc(title)}</title>',
        '<meta name="viewport" content="width=device-width, initial-scale=1">',
        (f'<link rel="stylesheet" href="{_esc(style_at)}">{ICON}' if style_at else f"<style>{STYLE}</style>")
        + "</head><body>",
        f"<header><h1>{_esc(title)}</h1>",
        f'<p class="quiet">{_esc(_span(scene))}</p></header>',
        "<main>",
        *_in_short(scene),
        *_next(scene),
        *_eggs(scene),
        *_warmth(scene),
        *_windows(scene),
        *_one_by_one(scene),
        *_boxes(scene),
        *_stacks(scene),
        *_species(scene),
        *_notices(scene),
        "</main>",
        f"<footer><p>{_esc(CAUTIONS)}</p>",
        f"<p>{_esc(made)}</p></footer>",
        "</body></html>",
        "",
    ]
    return "\n".join(parts)


def _esc(text: str) -> str:
    return html.escape(text)


def _table(
    caption: str, head: Sequence[str], rows: Iterable[Sequence[str]], numbers: str = "", *, total: bool = False
) -> str:
    """A table. ``numbers``: for each column "n" where it holds numbers, "d" where it is not to be folded, "l" where it
    is long, "b" where it is a name; ``total``: the last row sums up the others."""
    signs = [numbers[i : i + 1] for i in range(len(head))]
    of = [f' class="{sign}"' if sign in ("n", "d", "l", "b") else "" for sign in signs]
    heads = "".join(f'<th scope="col"{c}>{_esc(h)}</th>' for h, c in zip(head, of, strict=True))
    lines = []
    listed = list(rows)
    for i, row in enumerate(listed):
        cells = "".join(f"<td{c}>{_esc(cell)}</td>" for cell, c in zip(row, of, strict=True))
        lines.append(f'<tr class="sum">{cells}</tr>' if total and i == len(listed) - 1 else f"<tr>{cells}</tr>")
    top = f"<caption>{_esc(caption)}</caption>" if caption else ""
    keep = " keep" if len(listed) <= MOST_KEPT else ""
    body = f"<thead><tr>{heads}</tr></thead><tbody>{''.join(lines)}</tbody>"
    # What is wider than the screen is scrolled, by keys as well.
    named = _esc(caption or ", ".join(head[:3]))
    return f'<div class="wide{keep}" role="region" tabindex="0" aria-label="{named}"><table>{top}{body}</table></div>'


def _p(text: str, *, quiet: bool = False) -> str:
    return f'<p class="quiet">{_esc(text)}</p>' if quiet else f"<p>{_esc(text)}</p>"


def _figure(svg: str) -> str:
    return f"<figure>{svg}</figure>"


def _span(scene: SeasonScene) -> str:
    s = scene.season
    return f"{show_time(s.from_ms, scene.zone)[:10]} to {show_time(s.to_ms, scene.zone)[:10]}"


# -- what it came to --------------------------------------------------------------------------------------------------


def _in_short(scene: SeasonScene) -> list[str]:
    return ["<section><h2>In short</h2>", *(_p(x) for x in sums_in_short(scene.season)), "</section>"]


def _next(scene: SeasonScene) -> list[str]:
    parts = ["<section><h2>What to change next season</h2>"]
    if not scene.advised:
        parts.append(_p("Nothing stands out that the figures would bear."))
    else:
        items = (f'<li>{_esc(a.what)} <span class="why">Why: {_esc(a.why)}</span></li>' for a in scene.advised)
        parts.append(f'<ol class="do">{"".join(items)}</ol>')
    return [*parts, "</section>"]


def _eggs(scene: SeasonScene) -> list[str]:
    head = ["clutch", "species", "laid on", "laid", "fertile", "hatched", "lost", "removed", "still there"]
    rows = []
    for c in scene.season.clutches:
        b = c.balance
        rows.append(
            [
                c.clutch.id, c.clutch.species, show_time(c.clutch.laid_ms, scene.zone)[:10], str(b.laid),
                str(b.fertile), str(b.hatched), lost_words(b.lost), str(b.removed), str(b.in_boxes + b.not_set),
            ]
        )  # fmt: skip
    b = scene.season.balance
    if len(rows) > 1:
        rows.append(
            ["together", "", "", str(b.laid), str(b.fertile), str(b.hatched), lost_words(b.lost), str(b.removed),
             str(b.in_boxes + b.not_set)]
        )  # fmt: skip
    return [
        "<section><h2>What became of the eggs</h2>",
        _table("", head, rows, "-ddnnnlnn", total=len(rows) > 1),
        _p("Fertile: laid, less slugs and infertile ones and those that were taken out.", quiet=True),
        "</section>",
    ]


def _warmth(scene: SeasonScene) -> list[str]:
    unit = scene.unit
    head = ["eggs", "days to first pip", "to last hatched", "mean", "coldest, warmest hour", "degree-days", "filled in"]
    rows = []
    for c in scene.season.clutches:
        low, high = c.range_c or (None, None)
        if len(c.eggs) != 1:
            sums = (
                "-" if c.degree_days is None else show_degree_days(c.degree_days, unit, 1).removesuffix(" degree-days")
            )
            rows.append([c.clutch.id, days(c.days_to_pip), days(c.days_to_hatched), celsius(c.mean_c, unit),
                         low_high(low, high, unit), sums, ""])  # fmt: skip
        for x in c.eggs:
            alone = len(c.eggs) == 1
            pip = x.first_pip
            to_pip = None if pip is None else days_to(c, x)
            rows.append(
                [name_eggs(x.lot.id), days(to_pip), days(c.days_to_hatched) if alone else "", celsius(x.mean_c, unit),
                 low_high(x.low_c, x.high_c, unit), _sums(x, unit),
                 "-" if x.mean_c is None else f"{100 * x.filled_share:.1f} %"]
            )  # fmt: skip
    bases = sorted({(x.lot.clutch, x.base_c) for c in scene.season.clutches for x in c.eggs if x.base_c is not None})
    above = ", ".join(f"{name} {show_temperature(base, unit)}" for name, base in bases)
    return [
        "<section><h2>How warm, and how long</h2>",
        _table("", head, rows, "-nnnnnn"),
        _p("Days from laying; a first pip is taken in the middle between two looks. A clutch in several boxes: its "
           "mean and degree-days by eggs.", quiet=True),
        _p(f"Degree-days above: {above}.", quiet=True) if above else "",
        "</section>",
    ]  # fmt: skip


def _sums(x: EggsInBox, unit: DisplayUnit) -> str:
    return "-" if x.degree_days is None else show_degree_days(x.degree_days, unit, 1).removesuffix(" degree-days")


def _windows(scene: SeasonScene) -> list[str]:
    head = ["eggs", "at", "told on", "window told (middle)", "first pip", "the pip came"]
    rows = []
    for c in scene.season.clutches:
        for x in c.eggs:
            pip = x.first_pip
            seen = "-" if pip is None else day_and_time(pip.by_ms, scene.zone)
            for share in ASKED_AT:
                t = next((t for t in x.told if t.share == share), None)
                if t is not None:
                    rows.append(
                        [name_eggs(x.lot.id), f"{100 * share:.0f} %", scene.day(t.at_ms)[4:], told_words(t, scene.zone),
                         seen, came_words(t, x)]
                    )  # fmt: skip
    if not rows:
        return []
    return [
        "<section><h2>What was told, and what happened</h2>",
        _table("", head, rows, "-ndddd"),
        _p("What the forecast said when a quarter, half and three quarters of the development were behind, with what "
           "was known then. 8 first pips in 10 are meant to fall inside; days are from the middle that was told.",
           quiet=True),
        "</section>",
    ]  # fmt: skip


def _one_by_one(scene: SeasonScene) -> list[str]:
    parts = ["<section><h2>Each clutch</h2>"]
    number = 0
    for c in scene.season.clutches:
        parts.append(f'<div class="clutch"><h3>{_esc(c.clutch.id)}: {_esc(c.clutch.species)}</h3>')
        parts.append(_p(f"{c.balance.words()}."))
        apart = c.apart
        if apart is not None:
            seen = "" if apart.seen_days is None else f"; their first pips were seen {apart.seen_days:.1f} days apart"
            parts.append(
                _p(
                    f"By their temperatures {tell_eggs(apart.early.id)} came to 90 % of development {apart.days:.1f} "
                    f"days before {tell_eggs(apart.late.id)}{seen}."
                )
            )
        for x in c.eggs:
            if x.refused:
                parts.append(_p(f"{name_eggs(x.lot.id)}: {x.refused}."))
            elif x.edge_ms is not None and len(x.edge_ms) > 1:
                number += 1
                parts.append(_figure(svg_development(x, f"-dev-{number}", scene.zone, name_eggs(x.lot.id))))
                parts.append(_p(f"{name_eggs(x.lot.id)}: {share_told(x)} of development at its end.", quiet=True))
        kinds = by_kind(c.matters)
        if kinds:
            told = ", ".join(f"{k.kind} {k.times}" for k in kinds)
            parts.append(_p(f"Notices while its eggs lay there: {told}; answered {sum(k.answered for k in kinds)}."))
        parts.append("</div>")
    return [*parts, "</section>"]


# -- boxes, stacks, species, notices ----------------------------------------------------------------------------------


def _boxes(scene: SeasonScene) -> list[str]:
    parts = ["<section><h2>Boxes</h2>"]
    for i, x in enumerate(scene.season.boxes):
        when = f"{show_time(x.from_ms, scene.zone)[:10]} to {show_time(x.to_ms, scene.zone)[:10]}"
        if x.mean_c is None:
            parts.append(_p(f"Box {x.box.id}: {in_figures(x, scene.zone, scene.unit)[0]}."))
            continue
        parts.append(_figure(svg_course(x, scene.zone, scene.unit, when, f"-box-{i}", spans=SPANS)))
        if _missed(x):
            parts.append(_p(_missed(x), quiet=True))
    return [*parts, "</section>"]


def _missed(x: BoxSeason) -> str:
    more = len(x.events) - 18
    return f"{more} more entries: warmtally clutch show" if more > 0 else ""


def _stacks(scene: SeasonScene) -> list[str]:
    parts = ["<section><h2>Stacks</h2>"]
    boxes = [x.box for x in scene.season.boxes]
    for s in scene.season.stacks:
        parts.append(f"<h3>Stack {_esc(s.stack)}</h3>")
        parts += [_p(line) for line in stack_words(s, scene.unit)]
        if any(p is not None for _, p in s.weeks):
            parts.append(_weeks(s, scene))
        order = svg_hatch_order(scene.season.clutches, boxes, s.stack, scene.zone)
        if order is not None:
            parts.append(_figure(order))
    return [*parts, "</section>"]


def _weeks(s: StackSeason, scene: SeasonScene) -> str:
    head = ["week until", "warmest", "coolest", "difference", "each metre higher", "more than the probes"]
    rows = []
    for at_ms, p in s.weeks:
        if p is None:
            rows.append([scene.day(at_ms), "-", "-", "not measured together", "-", "-"])
            continue
        g = p.gradient
        rows.append(
            [scene.day(at_ms), p.warmest, p.coolest,
             show_within_difference(p.difference_c, 2 * p.difference_sd_c, scene.unit),
             "-" if g is None else show_difference(g.c_per_m, scene.unit, 2), "yes" if p.beyond_probes else "no"]
        )  # fmt: skip
    return _table(f"Stack {s.stack}, week by week", head, rows, "-bbnn-")


def _species(scene: SeasonScene) -> list[str]:
    lines = species_words(scene.season)
    return ["<section><h2>What was learned of the species</h2>", *(_p(x) for x in lines), "</section>"] if lines else []


def _notices(scene: SeasonScene) -> list[str]:
    kinds = by_kind(scene.season.matters)
    parts = ["<section><h2>Notices, and how they were met</h2>"]
    parts += [_p(gone) for gone in not_kept(scene.season)]
    if not kinds:
        return [*parts, _p("None is known." if not scene.season.told_whole else "None was told."), "</section>"]
    parts.append(_table("", MET_HEAD, (met_row(k) for k in kinds), "--n--n"))
    parts.append(
        _p("Spans are medians. What is for later comes with the daily line and asks for no answer.", quiet=True)
    )
    urgent = [m for m in scene.season.matters if m.urgency == "now"]
    if urgent:
        head = ["notice", "told", "what", "answered", "over"]
        parts.append(_table("Those for now, one by one", head, (_matter_row(m, scene) for m in urgent), "nd---"))
    return [*parts, "</section>"]


def _matter_row(m: Matter, scene: SeasonScene) -> list[str]:
    after, lasted = m.answered_after_s, m.lasted_s
    return [
        str(m.notice),
        day_and_time(m.told_ms, scene.zone),
        m.title,
        "by nobody" if after is None else f"after {show_span(after)} by {m.answer}",
        "still true" if lasted is None else f"after {show_span(lasted)}",
    ]
