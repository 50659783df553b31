"""The service: what is started in which order, the round, what watches it, and how it all stops.

It puts the parts together and asks the clock. What a part does belongs to the part; what is judged belongs to the core.
"""
