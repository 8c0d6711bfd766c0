"""Measurements, not tests: `python -m tests.benchmarks.run --help`."""
