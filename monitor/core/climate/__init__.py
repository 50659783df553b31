"""Climate: what it is like in a box, in its stack and in the room's air.

Temperature of a box from its probes, stacks and their gradient, where a box is heading, humid air, heater, outage, heat
as a dose. Of eggs nothing is known here: what warmth does to them is development.
"""
