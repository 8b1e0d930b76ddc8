"""History: what each cell's quantities did over all logs of a pack, with slopes that are claims."""

from __future__ import annotations

from bmslogs.findings.history.gathered import Gathered, Told
from bmslogs.findings.history.shape import Gap, History, Mark, Point, Series
from bmslogs.findings.history.topics import TOPICS, Topic

__all__ = ["TOPICS", "Gap", "Gathered", "History", "Mark", "Point", "Series", "Told", "Topic"]
