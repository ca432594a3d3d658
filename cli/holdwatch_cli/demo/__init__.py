"""The command demo: two simulated bays to their verdicts."""
