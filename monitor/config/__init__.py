"""What the keeper writes: the room's file (TOML), species files, texts; to frozen settings, all mistakes at once.

Nothing is imported here: reading the room's file takes a large library that the service does without, while the species
files are read in the service.
"""
