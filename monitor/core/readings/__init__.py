"""Readings: from the bytes of a message to a value that may be believed.

Decoding, what came late or twice, quality flags, gateways and batteries, corrections and how they are found, and the
faults of a probe that show over a day or beside others. Where a probe lies, and what is warm, is not asked here.
"""
