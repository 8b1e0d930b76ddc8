"""The quantities that an analysis can estimate: a file a quantity or family, its record and its function in it.

A file that is put here is collected; nothing else lists it.
"""

from bmslogs.analysis.estimators.declaring import ESTIMATORS, QUANTITIES, Estimator, Quantity, collect

__all__ = ["ESTIMATORS", "QUANTITIES", "Estimator", "Quantity"]

collect(__name__, __path__)
