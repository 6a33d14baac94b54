"""Benchmarks are run by hand: pytest neither collects nor imports anything in this folder."""

collect_ignore_glob = ["*.py"]
