"""The composition root and the commands."""
