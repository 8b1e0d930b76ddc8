"""The hand-over or service record of a pack: what was known, found and not tested on a day, to print and sign."""

from bmslogs.faces.record.baseline import Baseline, baselines, keep_baseline
from bmslogs.faces.record.contents import Contents, Typed, contents
from bmslogs.faces.record.page import record_page

__all__ = ["Baseline", "Contents", "Typed", "baselines", "contents", "keep_baseline", "record_page"]
