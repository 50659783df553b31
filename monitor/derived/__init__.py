"""Derived values: from the store to what the core looks at.

Everything here can be thrown away and made again from readings and entries, and rebuilt equals running. What is
computed from values alone belongs to the core; what is stored belongs to the store.
"""
