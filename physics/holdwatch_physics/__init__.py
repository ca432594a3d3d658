"""Units, readings, fluid properties and leak flow: pure functions without I/O, clock or logging."""
