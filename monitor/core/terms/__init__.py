"""Terms: the words that everything else uses.

Readings and the keeper's entries, the settings, names of spans and arrays, how values are shown in the keeper's unit
and zone, and the wording of notices. No judgement is made here, and nothing else of the core is known here.
"""
