"""Pages of a recall: what is bad, the list of what may contain some of it, and the search for it."""
