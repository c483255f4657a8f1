"""The installed wheel, outside the checkout: the demo runs with SQL and sample data from the package."""

import json
import subprocess
import sys
from pathlib import Path

import repermit
from repermit.resources import folder

bin_ = Path(sys.executable).parent / "repermit"
installed = Path(repermit.__file__).resolve().parent
assert "site-packages" in str(installed), installed
for name in ("sql", "sample_data"):
    assert folder(name) == installed / name, folder(name)

made = subprocess.run([bin_, "demo", "--out", "demo"], check=True, capture_output=True, text=True).stdout
for line in made.splitlines():
    path = Path(line.split(": ", 1)[1])
    assert path.stat().st_size > 10_000, path
out = subprocess.run(
    [bin_, "rates", "--by", "position,cause", "--format", "json", "--store", "demo/sample.duckdb"],
    check=True,
    capture_output=True,
    text=True,
).stdout
found = json.loads(out)
assert round(sum(row["faults"] for row in found["rows"]), 6) == found["about"]["counts"]["faults"] > 0
print(f"wheel: {made.count(chr(10))} files made, {found['about']['counts']['faults']} faults in the sample")
