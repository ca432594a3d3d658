"""Holds as pure state machines: readings in, notices and a verdict out."""
