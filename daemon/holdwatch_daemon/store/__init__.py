"""The recorder: one SQLite file, one writer, and readers beside it."""
