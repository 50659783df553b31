"""Development: what the warmth does to the eggs, and when they will pip.

Rate curves and sums, species, sex, gaps, lots with their forecast, siblings, plans, remedies and learning from finished
clutches. What a keeper is told of it, and when, is decided in notices.
"""
