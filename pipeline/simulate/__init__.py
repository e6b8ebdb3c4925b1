"""Deliveries of an invented service, with every answer planted in them written beside them."""

from pipeline.simulate.simulator import simulate

__all__ = ["simulate"]
