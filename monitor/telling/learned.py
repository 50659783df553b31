"""What the house's own clutches say of a species' days, and the keeper's own profiles."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Final

from monitor.config.library import load_profile, read_profile
from monitor.core.development.learning import (
    Learned,
    OwnClutch,
    learn,
    own_box,
    own_clutch,
    provisional_curve,
)
from monitor.core.development.species import Profile
from monitor.core.terms.events import Clutch
from monitor.derived.room import Derived
from monitor.derived.species import Species
from monitor.errors import MonitorError

if TYPE_CHECKING:
    from monitor.telling.at_hand import RoomAtHand
    from monitor.telling.forms_species import LearnedJson, NotLearnedJson

# The first words of a file that this command wrote; what a keeper wrote by hand is never taken for it.
WRITTEN_BY: Final = "# Learned from own clutches by: warmtally learn"


def everything_learned(
    room: RoomAtHand, wanted: str | None, at: int
) -> tuple[list[Learned], list[tuple[str, MonitorError]]]:
    """Everything that can be learned, and what cannot with its reason; one species alone raises its reason."""
    by_species: dict[str, list[Clutch]] = {}
    for clutch in room.store.account.clutches(at).values():
        by_species.setdefault(clutch.species, []).append(clutch)
    if wanted is not None:
        return [_learn(room, wanted, by_species.get(wanted, []), at)], []
    found, refused = [], []
    for name, clutches in sorted(by_species.items()):
        if not any(lot.pips for clutch in clutches for lot in clutch.lots):
            continue
        try:
            found.append(_learn(room, name, clutches, at))
        except MonitorError as error:
            refused.append((name, error))
    return found, refused


def _learn(room: RoomAtHand, species: str, clutches: list[Clutch], at_ms: int) -> Learned:
    base = base_profile(species, room.settings.profiles_dir)
    if base.status == "table":
        known = Species(base, base.curve(), "", f"learn-{species}")
    else:
        known = Species(base, provisional_curve(), "", f"learn-{species}")
    assert known.curve is not None
    derived = Derived(room.store, room.settings, lambda _: base)
    own: list[OwnClutch] = []
    left_out: list[tuple[str, str]] = []
    for clutch in clutches:
        kept = [lot for lot in clutch.lots if not lot.moved_on]
        if not any(lot.pips for lot in kept):
            lies = any(lot.open and lot.waiting for lot in kept)
            left_out.append((clutch.id, "nothing has pipped yet" if lies else "no pip was recorded"))
            continue
        # Only the time up to the last look says anything: eggs that never pipped may still lie there, or seem to.
        looks = [lot.looked_ms for lot in kept if lot.looked_ms is not None]
        until_ms = min(max(looks, default=at_ms), at_ms)
        boxes = [own_box(lot, derived.histories.history(clutch, lot, known, until_ms), known.curve) for lot in kept]
        found = own_clutch(clutch, boxes)
        if found is not None:
            own.append(found)
        mute = [lot.id for lot, box in zip(kept, boxes, strict=True) if box is None]
        left_out += [(name, "nothing was measured there, or no egg lay there that could pip") for name in mute]
    on = datetime.fromtimestamp(at_ms / 1000, room.zone).date().isoformat()
    return learn(base, own, on, room.unit, left_out)


def own_dir(room: RoomAtHand) -> Path:
    """The folder of the keeper's own profiles; it need not be there."""
    return Path(room.settings.profiles_dir or Path(room.settings.data_dir) / "species")


def base_profile(species: str, folder: str | Path | None) -> Profile:
    """The profile to learn on: never one that was learned, or the same clutches would count twice."""
    name = "-".join(species.lower().split())
    if folder is not None:
        files = [Path(folder) / f"{name}.toml", *reversed(former_files(Path(folder), name))]
        for path in files:
            if path.is_file() and not is_learned(path):
                return read_profile(path, f"{name}.toml")
    return load_profile(name)


def is_learned(path: Path) -> bool:
    """Whether a profile's file was written from what was learned, and not by hand."""
    with path.open("rb") as file:
        return file.read(len(WRITTEN_BY.encode())) == WRITTEN_BY.encode()


def former_files(folder: Path, name: str) -> list[Path]:
    """Former files of a profile, oldest first: ``NAME.toml.1``, ``NAME.toml.2`` ..."""
    found = [path for path in folder.glob(f"{name}.toml.*") if path.suffix[1:].isdecimal()]
    return sorted(found, key=lambda path: int(path.suffix[1:]))


def learned_json(x: Learned, applied: str | None) -> LearnedJson:
    """What own clutches say; ``applied``: what was done with it."""
    return {
        "species": x.profile.id,
        "clutches": [
            {
                "clutch": c.clutch,
                "eggs": c.eggs,
                "mean_c": round(c.mean_c, 3),
                "typical_days": round(c.days, 3),
                "shift_log": round(c.shift, 5),
                "shift_sd_log": round(c.sd, 5),
                "error_before_days": c.before_days,
                "error_by_others_days": c.after_days,
                "weight": round(c.weight, 3),
                "weighed_down_because": c.why if c.weighed_down else None,
            }
            for c in x.used
        ],
        "left_out": [{"clutch": name, "reason": reason} for name, reason in x.left_out],
        "own_table": x.own_table,
        "factor": x.factor,
        "shift_log": x.shift,
        "shift_sd_log": x.shift_sd,
        "between_clutches_log": x.between,
        "between_clutches_fits_log": x.between_fits,
        "between_clutches_taken_log": x.between_taken,
        "probes": [{"behind": s.behind, "share": s.share, "error_c": s.error_c} for s in x.probes],
        "shared_before_log": x.shared_before,
        "shared_after_log": x.shared,
        "base_c": x.line.base_c if x.line else None,
        "thermal_constant_degree_days": x.line.constant_degree_days if x.line else None,
        "no_line_because": x.line_problem or None,
        "error_before_days": x.error_before_days,
        "error_by_others_days": x.error_after_days,
        "rows": [{"temperature_c": r.temperature_c, "days": r.days} for r in x.profile.rows],
        "applied": applied,
    }


def not_learned_json(species: str, error: MonitorError) -> NotLearnedJson:
    """Why nothing can be learned of a species."""
    return {"species": species, "refused": error.what}
