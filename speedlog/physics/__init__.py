"""Pure equations of the car and its wheels; no data, no estimates."""
