"""A season looked back on: what became of each clutch, what was told, what it was like, and what to do otherwise.

Pure, like all of the core: from what is derived of the store to figures and plain words.
"""
