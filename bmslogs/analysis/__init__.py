"""What a log says about a string of cells: one module a question, pure functions on arrays.

Rules that every function here keeps: current [A] is positive while the pack discharges, charge drawn [Ah] grows
with it; voltages [V] are arrays of rows x cells; NaN is a missing reading; masks are True where something holds.
"""
