"""The core: what the program knows, as values and pure functions of them.

No clock, no input or output, no logging, no random numbers; numpy alone. Its rooms are the way of a reading, and each
may look only into those before it: terms, maths, readings, climate, development, notices. What asks a store, a broker
or a clock stands outside.
"""
