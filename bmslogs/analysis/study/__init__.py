"""One log made ready, once: parts of one subject each, put together by `Study`."""

from bmslogs.analysis.study.study import Study

__all__ = ["Study"]
