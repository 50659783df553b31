"""Which probes may be believed, for what, and since when: the one place that decides it.

What was found of a probe takes it out of what needs it to say the temperature of its place:

- ``sums``: a box's development, and the days by which slow departures are found; such a time is filled like a gap.
- ``advice``: the gradient of its stack, siblings, and what is advised from them.
- ``peers``: the others by which a probe is judged; one that is suspect convicts nobody.
- ``jumps``: that the box went where a single reading went, and came back with the next.

A limit is always judged, by every probe as it is heard: silence is never bought by suspicion. What is said of it
then begins with the doubt (``notices.kinds.limits``). A probe that drifts or jumps still says its box's temperature, a
little wrong or now and then: it is corrected, or its jumps are left out of the sums, and it is not taken out.

A span of disbelief begins when the fault began, hours before it was found. It ends when the probe's readings were its
place's again. Where it turns out that they were so all the time the span is taken back, and its hours count again.
Spans are kept (:mod:`monitor.adapters.store.disbelief`), never found anew: what was summed up is the same after a
restart, and when it is summed up from nothing.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from monitor.core.terms.arrays import Times
from monitor.values import dataclass

Use = Literal["sums", "advice", "peers", "jumps"]
EVERYTHING: Final[frozenset[Use]] = frozenset({"sums", "advice", "peers"})

NO_GOOD_FOR: Final[Mapping[str, frozenset[Use]]] = {
    "probe-stuck": EVERYTHING,
    "probe-unit": EVERYTHING,
    "probe-out": EVERYTHING,
    # Each says what is so, of a place that is not its own; which way it is mended, the keeper knows alone.
    "probes-swapped": frozenset({"advice"}),
    "probe-jumps": frozenset({"jumps"}),
}
"""Kind of condition -> what its probe is not believed for while it is true."""

# Facts of such conditions: since when, and at the end until when, the probe is not to be believed; and whether it
# was right all the time.
FROM: Final = "from_ms"
UNTIL: Final = "until_ms"
RIGHT: Final = "was_right"
Facts = Mapping[str, str | float | int | None]


@dataclass(frozen=True, slots=True)
class Disbelief:
    """One span in which a probe is not believed, ``from_ms <= at < to_ms``; ``to_ms`` None: it lasts."""

    probe: str
    kind: str
    from_ms: int
    to_ms: int | None = None


def begun(kind: str, subject: str, since_ms: int, facts: Facts) -> list[Disbelief]:
    """What begins when a condition of a kind is raised; nothing of most kinds."""
    if kind not in NO_GOOD_FOR:
        return []
    return [Disbelief(probe, kind, _ms(facts, FROM, since_ms)) for probe in subject.split("/")]


def end_ms(of: Disbelief, since_ms: int, facts: Facts) -> int:
    """When a span ends whose condition was seen to be over at ``since_ms``; where it was a false one, as it begins."""
    until_ms = of.from_ms if facts.get(RIGHT) else _ms(facts, UNTIL, since_ms)
    return max(until_ms, of.from_ms)


def _ms(facts: Facts, name: str, otherwise: int) -> int:
    value = facts.get(name)
    return int(value) if isinstance(value, int | float) else otherwise


class Belief:
    """All spans of disbelief, and what may be believed between them."""

    def __init__(self, spans: Iterable[Disbelief] = ()) -> None:
        self._of: dict[str, tuple[Disbelief, ...]] = {}
        for span in spans:
            if span.to_ms is None or span.to_ms > span.from_ms:
                self._of[span.probe] = (*self._of.get(span.probe, ()), span)

    def spans(self, probe: str, use: Use) -> Sequence[Disbelief]:
        """Those of a probe that keep it out of a use."""
        return [s for s in self._of.get(probe, ()) if use in NO_GOOD_FOR.get(s.kind, ())]

    def mask(self, probe: str, at_ms: Times, use: Use) -> NDArray[np.bool_]:
        """Which of a probe's readings at these moments, shape (n,), may be believed for a use."""
        good = np.ones(len(at_ms), bool)
        for span in self.spans(probe, use):
            inside = at_ms >= span.from_ms
            good &= ~(inside if span.to_ms is None else inside & (at_ms < span.to_ms))
        return good

    def hours(self, probe: str, hours: Times, use: Use, hour_ms: int = 3_600_000) -> NDArray[np.bool_]:
        """Which whole hours, counted since 1970, may be believed from end to end."""
        good = np.ones(len(hours), bool)
        for span in self.spans(probe, use):
            inside = (hours + 1) * hour_ms > span.from_ms
            good &= ~(inside if span.to_ms is None else inside & (hours * hour_ms < span.to_ms))
        return good

    def lasting(self, probe: str, use: Use) -> bool:
        """Whether a probe is not believed for a use now."""
        return any(s.to_ms is None for s in self.spans(probe, use))
