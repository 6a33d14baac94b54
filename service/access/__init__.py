"""Who writes: actors and their bearer keys."""
