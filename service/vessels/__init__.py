"""Vessels: bays, silos, reactors. They hold a mixture with a heel; a draw from one is a new lot."""
