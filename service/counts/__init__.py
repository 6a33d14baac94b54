"""Stock counts and levels of vessels: what was seen to stand there, beside what the book says."""
