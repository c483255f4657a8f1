"""repermit: which faults stop a tank trailer from loading, where they sit, and whether the repair held."""

__version__ = "0.1.0"
