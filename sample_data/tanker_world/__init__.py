"""An invented pool of road tankers with known truth: makes the sample data and the worlds used in tests."""

from .scenario import PLANTED, SAMPLE, Fleet, Scenario, Shop, Terminal, small
from .world import World, simulate, write

__all__ = [
    "PLANTED",
    "SAMPLE",
    "Fleet",
    "Scenario",
    "Shop",
    "Terminal",
    "World",
    "simulate",
    "small",
    "write",
]
