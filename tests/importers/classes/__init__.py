"""The proof by classes: files made with their truth, and how often the importer stores, asks or errs.

Each module `class_*.py` is one class of mistakes, a family of loggers' habits. A habit is a function of a random
generator that returns a `Case`: the bytes of a file, its pack file and the truth that must stand in the store.
`python -m tests.importers.classes` counts them, `python -m tests.importers.classes.nulls` counts true readings
that are lost in fault-free rows.
"""
