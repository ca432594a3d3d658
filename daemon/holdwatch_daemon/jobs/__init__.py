"""Vehicles and jobs in the store: how they change, and reports of them."""
