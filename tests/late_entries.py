"""Random subjects that come into view late, for tests of curves and of the log-rank test."""

import numpy as np

Sample = tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]


def sample(seed: int, n: int = 40, scale: float = 1.0) -> Sample:
    """Ages with ties, late entries, about half with an event, three groups: (entry, time, event, group), n each."""
    rng = np.random.default_rng(seed)
    entry = np.where(rng.random(n) < 0.5, 0.0, rng.integers(0, 6, n)).astype(float)
    time = entry + rng.integers(1, 12, n)
    return entry * scale, time * scale, (rng.random(n) < 0.5).astype(float), rng.integers(0, 3, n)
