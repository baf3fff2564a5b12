"""Simulated shoots with known truth: a scene description becomes a card of photographs and `truth.json`."""

from windstill.simulate.describe import Description, DescriptionError, catalogue, load_description
from windstill.simulate.draw import Leanings, random_description
from windstill.simulate.shoot import Simulated, SimulationError, simulate

__all__ = [
    "Description", "DescriptionError", "Leanings", "Simulated", "SimulationError", "catalogue", "load_description",
    "random_description", "simulate",
]
