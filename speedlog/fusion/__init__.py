"""From the readings of all recordings of a pass to one motion with an honest interval."""
