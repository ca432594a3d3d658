"""Bluetooth probes: scanning, links, and the decoders of their payloads."""
