"""Holds as pure state machines: readings and marks in, events and a verdict out."""
