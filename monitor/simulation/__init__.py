"""The simulated room, and the rehearsal that plays it to the real service through a small broker.

Nothing of the service needs it: an installation that watches eggs can do without.
"""
