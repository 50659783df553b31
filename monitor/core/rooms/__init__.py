"""Many rooms: what each says of itself at the broker, how far that may be believed, and all of them at a glance."""
