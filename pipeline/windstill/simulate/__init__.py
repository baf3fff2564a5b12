"""Simulated shoots with known truth: a scene description becomes a card of photographs and `truth.json`."""

from windstill.simulate.describe import Description, DescriptionError, catalogue, load_description
from windstill.simulate.shoot import Simulated, simulate

__all__ = ["Description", "DescriptionError", "Simulated", "catalogue", "load_description", "simulate"]
