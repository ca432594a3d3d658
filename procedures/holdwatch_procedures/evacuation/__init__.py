"""Evacuation: how a pump-down goes, and the machine that runs one by relays."""
