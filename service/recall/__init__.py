"""Recalls: what may contain some of a bad bale, where it stands now, and how fast all of it was found."""
