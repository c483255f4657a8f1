"""Regenerates the shipped sample: `python -m tanker_world [FOLDER]`, or this folder run as a program.

Writes into `csv/` beside this package, or into FOLDER.
"""

import sys
from pathlib import Path

if __package__:
    from . import SAMPLE, simulate, write
else:
    sys.path.insert(0, str(Path(__file__).resolve().parents[1]))
    from tanker_world import SAMPLE, simulate, write


MAPPING = """# The sample's columns are the contract's; it only has to say what its money is in (invented, like the rest).
[settings]
currency = "EUR"
"""


def main() -> None:
    """Write the sample and print what was written."""
    folder = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).resolve().parents[1] / "csv"
    paths = write(simulate(SAMPLE), folder)
    paths.append(paths[0].with_name("repermit.toml"))
    paths[-1].write_text(MAPPING, encoding="utf-8", newline="\n")
    for path in paths:
        print(f"{path.stat().st_size:9d}  {path}")


if __name__ == "__main__":
    main()
