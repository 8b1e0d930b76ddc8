"""Sample logs of an invented workshop, with their generator and their truth. No figure in them was measured."""

from pathlib import Path

SAMPLES = Path(__file__).parent
"""Folder of the sample logs, their pack files and ``truth.json``."""
