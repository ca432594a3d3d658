"""Relays that switch a bay's vacuum valve and pump."""
