"""Standing vacuum: the part of a rise that no desorption explains."""
