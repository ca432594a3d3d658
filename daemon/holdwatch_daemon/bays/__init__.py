"""Bays: roles bound to channels, the hold that runs there, commands."""
