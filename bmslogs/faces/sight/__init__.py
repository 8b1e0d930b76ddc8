"""Where in a log a finding is plainest: window, cells to draw, what is marked, one sentence why."""

from bmslogs.faces.sight.rules import sight_of
from bmslogs.faces.sight.shape import Sight

__all__ = ["Sight", "sight_of"]
