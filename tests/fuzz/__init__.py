"""Fuzzing of the importers: in the tests for seconds, and for as long as wanted by `python -m tests.fuzz`."""
