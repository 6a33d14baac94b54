"""The append-only record: one Merkle log per site, and what every fact of the system has in common."""
