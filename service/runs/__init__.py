"""Runs of the line: feeds, discharges and losses of every step, and packing, splitting, merging, shipping."""
