"""The broker: the line to it, readings on their way in, last wills, answers that come as messages.

What the bytes of a message mean is decided in ``core.readings``.
"""
