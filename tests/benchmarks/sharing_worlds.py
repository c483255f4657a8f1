"""How well faults are shared out, over many invented worlds whose truth is known. Run on request:

    python tests/benchmarks/sharing_worlds.py FAULTS FIRST_SEED WORLDS [MISNAMED]

Prints one line: mean error of the position shares (sum of absolute differences) with findings alone and with sharing
out, the share of worlds in which it is no greater, cover of the long-run rate by the 95 % limits of rows with 5 faults
or more, and the share of bounds that hold; by position, and by position and cause. Sums over the worlds, to be added
over calls. MISNAMED: share of faults at which a tester names any position. Not collected by pytest.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

if __name__ == "__main__":
    sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2] / "sample_data")]
    from sharing_world import fault_world, measured

    faults, first, worlds = (int(a) for a in sys.argv[1:4])
    misnamed = float(sys.argv[4]) if len(sys.argv) > 4 else 0.0
    found = [measured(fault_world(seed, faults, misnamed=misnamed)) for seed in range(first, first + worlds)]
    total = {name: np.sum([m[name] for m in found], axis=0) for name in found[0]}
    print(faults, first, worlds, {name: np.round(v, 4).tolist() for name, v in total.items()})
