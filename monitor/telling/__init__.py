"""Telling: what is known of the room in words, drawings and JSON, alike for commands, the page and other programs."""
