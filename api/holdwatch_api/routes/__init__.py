"""The HTTP routes, by what they are about."""
