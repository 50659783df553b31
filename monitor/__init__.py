"""Warmtally: watches the egg room and tells the keeper in time what needs a hand."""

__version__ = "0.1.0"
