"""Delivery: notices from the outbox through each channel, at least once.

Who is told when is decided in ``core.notices``; here it is only carried out.
"""
