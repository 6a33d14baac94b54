"""The dry-mass balance of each run: a versioned fact, judged against a dated tolerance."""
