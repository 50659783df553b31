"""Clutches: where their eggs are, what became of them, and the account of each."""

from __future__ import annotations

from collections.abc import Mapping
from datetime import tzinfo
from typing import TYPE_CHECKING

from monitor.core.terms.balance import Balance, balance_of, became, ended_ms
from monitor.core.terms.events import Clutch, KeeperEvent, Lot
from monitor.errors import UnknownSubject
from monitor.telling.as_json import utc
from monitor.telling.entering import sentence

if TYPE_CHECKING:
    from monitor.telling.forms_eggs import AccountOfLotJson, BalanceJson, ClutchJson, EntryJson, ToldEntryJson


def clutch_named(clutches: Mapping[str, Clutch], name: str) -> Clutch:
    """One of them. Raises UnknownSubject."""
    if name not in clutches:
        raise UnknownSubject(f"no clutch {name!r}", fix=f"known: {', '.join(sorted(clutches)) or 'none yet'}")
    return clutches[name]


def where_words(clutch: Clutch) -> str:
    """Where its eggs are, or what became of them."""
    if ended_ms(clutch) is not None:
        return became(clutch)
    places = [f"{x.box} ({x.eggs})" for x in clutch.lots if x.open]
    places += [f"not set yet ({clutch.unplaced})"] if clutch.unplaced else []
    return ", ".join(places)


def clutch_json(clutch: Clutch) -> ClutchJson:
    """A clutch with its whole account."""
    return {
        "clutch": clutch.id,
        "species": clutch.species,
        "dam": clutch.events[0].dam or None,
        "sire": clutch.events[0].sire or None,
        "line": clutch.events[0].line or None,
        "laid": utc(clutch.laid_ms),
        "laid_day_only": clutch.laid_day_only,
        "developed_when_laid": clutch.developed,
        "eggs": clutch.eggs,
        "unplaced": clutch.unplaced,
        "balance": balance_json(balance_of(clutch)),
        "shed": clutch.shed,
        "fed": clutch.fed,
        "ended": utc(ended_ms(clutch)),
        "finished": utc(clutch.finished_ms),
        "lots": [account_of_lot_json(lot) for lot in clutch.lots if not lot.moved_on],
        "account": [entry_json(e) for e in clutch.events],
    }


def balance_json(balance: Balance) -> BalanceJson:
    """What became of all that were laid."""
    return {
        "laid": balance.laid,
        "not_set": balance.not_set,
        "in_boxes": balance.in_boxes,
        "hatched": balance.hatched,
        "lost": dict(balance.lost),
        "removed": balance.removed,
        "not_accounted_for": balance.odd,
    }


def account_of_lot_json(lot: Lot) -> AccountOfLotJson:
    """What became of the eggs of a clutch in a box, and the way they came."""
    return {
        "lot": lot.id,
        "box": lot.box,
        "eggs": lot.eggs,
        "eggs_set": lot.eggs_set,
        "waiting": lot.waiting,
        "pipped": lot.pipped,
        "hatched": lot.hatched,
        "dead": lot.dead,
        "lost": dict(lot.lost),
        "removed": lot.removed,
        "infertile": lot.infertile,
        "open": lot.open,
        "stays": [{"box": s.box, "from": utc(s.from_ms), "to": utc(s.to_ms)} for s in lot.path],
        "pips": [{"after": utc(p.after_ms), "by": utc(p.by_ms), "eggs": p.count} for p in lot.pips],
    }


def entry_json(e: KeeperEvent) -> EntryJson:
    """An entry by its keys."""
    return {
        "entry": e.id,
        "kind": e.kind.value,
        "at": utc(e.at_ms),
        "recorded": utc(e.recorded_ms),
        "box": e.box or None,
        "to": e.to_box or None,
        "eggs": e.eggs,
        "fertile": e.fertile,
        "alive": e.alive,
        "doubtful": e.doubtful,
        "clear": e.clear,
        "how": e.how or None,
        "not_yet_at": utc(e.not_yet_at_ms),
        "by": e.by or None,
        "note": e.text or None,
    }


def told_entry_json(e: KeeperEvent, zone: tzinfo) -> ToldEntryJson:
    """An entry as it was told, with all of its words."""
    return {
        **entry_json(e),
        "clutch": e.clutch or None,
        "day_only": e.day_only,
        "species": e.species or None,
        "developed": e.developed or None,
        "slugs": e.slugs,
        "gone": e.gone,
        "dam": e.dam or None,
        "sire": e.sire or None,
        "line": e.line or None,
        "not_set": e.not_set,
        "grams": e.grams,
        "corrects": e.corrects,
        "withdrawn": e.withdrawn,
        "says": sentence(e, zone),
    }
