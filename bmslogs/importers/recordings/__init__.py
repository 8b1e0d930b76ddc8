"""Recordings that are no table of text: each kind's reader writes it out once as one, in the tool's plain dialect.

From there on they go the way of every log: the same recognition, refusals, repairs and balance of rows.
"""
