"""How many examples a property is tried with, where one example takes long."""

from __future__ import annotations

from hypothesis import settings


def at_most(share: float, steps: int = 50) -> settings:
    """Settings for this share of the examples of the profile, three at least.

    ``steps``: the longest course of a state machine.
    """
    usual = settings.get_profile(settings.get_current_profile_name())
    return settings(max_examples=max(round(share * usual.max_examples), 3), stateful_step_count=steps)
