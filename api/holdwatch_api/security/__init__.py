"""What every request must pass: tokens, limits, sessions, headers."""
