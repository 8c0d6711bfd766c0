"""The running line and the trap on it, the passes in a recording, and a pass's samples on the line."""
