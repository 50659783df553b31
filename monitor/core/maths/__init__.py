"""Maths: functions of numbers that know nothing of eggs, boxes or probes.

Piecewise cubics, Student's t, control charts, robust lines. Each function is one published model with its source; what
it means for a room is said by who calls it.
"""
