"""The page of a lot and what is printed of it."""
