"""The page on which a keeper answers a notice, and the small server that shows it."""

from __future__ import annotations

from monitor.adapters.web.pages import AnswerPages

__all__ = ["AnswerPages"]
