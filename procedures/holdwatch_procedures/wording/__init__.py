"""Sentences for people, rendered from figures in one place."""
