"""The report: one self-contained page of a session or of a review."""
