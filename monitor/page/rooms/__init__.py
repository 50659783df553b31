"""The page of many rooms: what needs a hand first, the calendar of all, each room in short; and answers to them."""
