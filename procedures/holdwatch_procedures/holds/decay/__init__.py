"""Pressure decay: gas under pressure, judged by its amount."""
