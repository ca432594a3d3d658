"""The command check: what is missing on this machine."""
