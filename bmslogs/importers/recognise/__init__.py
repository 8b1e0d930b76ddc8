"""Decides the plan from header and values, or asks."""
