"""What a pass cost the car, what was left in it, and what the next change should bring."""
