"""The command line: one module for each family of verbs.

Each opens the store, asks, and prints its answer, as text or as JSON; failures are raised and told by ``main``. Numbers
are computed below, not here.
"""
