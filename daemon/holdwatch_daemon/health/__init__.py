"""The health of the process: its figures, its liveness, and what systemd is told."""
