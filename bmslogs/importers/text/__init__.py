"""Bytes to fields: encoding, dialect, numbers, units, words."""
