"""Drawings: what a command shows as a plot, in the terminal or as an SVG file.

Only the drawing; the values come finished.
"""
