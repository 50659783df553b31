"""The page: the room, its boxes and what a keeper enters, in a browser; and the API of other programs."""
