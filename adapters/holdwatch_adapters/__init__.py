"""Ways in: each adapter turns one kind of device into an async stream of readings."""
