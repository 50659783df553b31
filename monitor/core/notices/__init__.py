"""Notices: what is true now, what of it the keeper is told, how often and through whom.

The snapshot of one moment, the kinds of conditions, their evaluation and grouping, the notice and its way to a channel,
and answers to it. Sending it is an adapter's work.
"""
