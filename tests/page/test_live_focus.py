"""A page that renews itself keeps the focus where it is, and says aloud what is new and for now."""

from __future__ import annotations
