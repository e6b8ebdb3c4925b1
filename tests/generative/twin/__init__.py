"""Verdicts and timeline in slow, plain Python: what the set-based pipeline is compared with."""

from .judge import judge, timeline
from .model import Delivery, Verdict

__all__ = ["Delivery", "Verdict", "judge", "timeline"]
