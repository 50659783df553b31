"""Adapters: one outside thing each.

Broker, channels, outside database, logger files, the page that answers, and the store under them all. They turn what is
outside into the core's values and back, and do not know each other. What to make of it is not decided here.
"""
