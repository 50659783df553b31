"""How far eggs are, as a line that fills: beside its figure, never instead of it."""

from __future__ import annotations

WIDTH, HEIGHT = 300, 14


def svg_developed(share: float) -> str:
    """Development from 0 to 1, what is beyond 1 as full; decoration for those who see it, the figure stands beside."""
    full = min(max(share, 0.0), 1.0) * (WIDTH - 4)
    return (
        f'<svg class="developed" viewBox="0 0 {WIDTH} {HEIGHT}" width="{WIDTH}" height="{HEIGHT}" aria-hidden="true">'
        f'<rect class="egg" x="1" y="1" width="{WIDTH - 2}" height="{HEIGHT - 2}" rx="6"/>'
        f'<rect class="done" x="2" y="2" width="{full:.1f}" height="{HEIGHT - 4}" rx="5"/></svg>'
    )
