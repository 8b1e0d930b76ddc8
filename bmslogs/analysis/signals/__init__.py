"""Signals of a log: what a series of readings does, nothing of batteries."""
