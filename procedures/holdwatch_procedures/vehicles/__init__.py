"""Vehicles and their jobs: weights, findings, repairs, and what follows from them."""
