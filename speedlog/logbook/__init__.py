"""One file that keeps a season: logs, figures, set-ups, results."""
