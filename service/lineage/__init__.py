"""Questions about a lot: what it was made from, what it went into, and which holds reach it."""
