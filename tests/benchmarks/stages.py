"""How long each stage takes, how much memory, and how that grows with the world. Run on request:

    python tests/benchmarks/stages.py FOLDER [--sizes 1,14] [--stages NAME,...] [--analyst PYTHON] [--memory 1GB] [--readme]

Worlds of so many million load rows (`big_worlds.py`) are written into FOLDER, and every stage runs once in a process of
its own, as a user would call it, beside the engine's bare typed load and the script of `by_hand.py` (run by the python
of --analyst, which has lifelines; else it is left out). What fails or lasts too long is written down, and the rest goes
on. FOLDER/results.json keeps all results: later runs with other sizes or stages add to them. --readme puts the tables
between the marks of the README; with --stages none that is all. Knows nothing of the package but its commands.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import signal
import subprocess
import sys
import threading
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

HERE = Path(__file__).resolve().parent
ROOT = HERE.parents[1]
sys.path.insert(0, str(HERE))
from agreement import file_of  # noqa: E402
from stage_tables import MILLION, QUESTIONS, tables, write_csv, write_readme  # noqa: E402

VARIANTS = (
    "rates --by trailer", "rates --by month", "fixes --by shop", "life --by lot", "life --by lot --points",
    "trend --by fleet --points",
)  # fmt: skip
PAGES = {
    "monthly": "report monthly", "fleet": "report fleet --fleet Fleet+1", "shop": "report shop --shop Shop+1",
    "terminal": "report terminal --terminal T1",
}  # fmt: skip


@dataclass(frozen=True)
class Stage:
    """One thing to time. `command` may hold {world}, {month}, {store}, {answers}, {out}; `into`: where its output goes.

    `times`: the median of so many runs. `codes`: exits that are no failure. `fresh`: files removed before each run;
    `again`: files put back as they were before each run but the first.
    """

    name: str
    command: tuple[str, ...]
    into: str = ""
    times: int = 1
    codes: tuple[int, ...] = (0,)
    fresh: tuple[str, ...] = ()
    again: tuple[str, ...] = ()


def tool(line: str, *more: str) -> tuple[str, ...]:
    """A command of the tool on the store; + stands for a blank within a name."""
    words = [word.replace("+", " ") for word in line.split()]
    return (sys.executable, "-m", "repermit", *words, "--store", "{store}", *more)


def answer(line: str) -> str:
    """The file that holds what a question gave."""
    return "{answers}/" + file_of(tuple(line.split()))


def stages(analyst: str | None) -> list[Stage]:
    """All stages, in the order in which they must run."""
    probe = (sys.executable, str(HERE / "probes.py"))
    found = [
        Stage("bare typed load", (*probe, "floor", "{world}", "{scratch}"), times=3, fresh=("{scratch}",)),
        Stage("reading and typing", (*probe, "typing", "{world}", "{scratch}"), fresh=("{scratch}",)),
        Stage("ingest", tool("ingest", "{world}"), fresh=("{store}",)),
        Stage("validate", tool("validate", "--out", "{out}/validation.html"), codes=(0, 1)),
    ]
    found += [Stage(line, tool(line, "--format", "json"), answer(line)) for line in (*QUESTIONS, *VARIANTS)]
    found.append(Stage("every question on one open store", (*probe, "questions", "{world}", "{store}")))
    found += [
        Stage(f"page {kind}", tool(line, "--out", f"{{out}}/{kind}.html")) for kind, line in PAGES.items()
    ]
    found += [
        Stage("page monthly again", tool("report monthly", "--out", "{out}/monthly.html")),
        Stage("--help", (sys.executable, "-m", "repermit", "--help"), times=5),
    ]
    if analyst:
        script = (analyst, str(HERE / "by_hand.py"))
        found.append(Stage("by hand", (*script, "{world}"), "{answers}/by_hand.json"))
    found += [
        Stage("all pages", tool("report all", "--out", "{out}/all")),
        Stage("one more month", tool("ingest", "{month}"), times=3, again=("{store}",)),
    ]
    if analyst:
        later = (*script, "{world}", "{month}")
        found.append(Stage("by hand with one more month", later, "{answers}/by_hand_later.json"))
    found.append(Stage("all pages of that month", tool("report all", "--out", "{out}/later")))
    return found


def environment(scratch: Path, memory: str | None) -> dict[str, str]:
    """This tree before any installed one, UTC, and the engine's limits."""
    own = {name: value for name, value in os.environ.items() if not name.startswith("REPERMIT_")}
    trees = [str(ROOT / "pipeline"), str(ROOT / "reports"), *filter(None, [own.get("PYTHONPATH")])]
    own |= {"PYTHONPATH": os.pathsep.join(trees), "TZ": "UTC"}
    return own | ({"REPERMIT_MEMORY": memory, "REPERMIT_TEMP": str(scratch / "spill")} if memory else {})


def timed(command: list[str], into: Path, env: dict[str, str], limit_s: float) -> dict[str, object]:
    """Run it: wall and processor seconds, peak megabytes of its memory, exit code, last words where it failed."""
    if limit_s <= 0:
        return {"seconds": 0.0, "processor_s": 0.0, "peak_mb": 0.0, "code": None, "said": "no time was left"}
    into.parent.mkdir(parents=True, exist_ok=True)
    began, late = time.perf_counter(), threading.Event()
    with into.open("wb") as out, into.with_suffix(".err").open("wb") as err:
        run = subprocess.Popen(command, stdout=out, stderr=err, env=env, start_new_session=True)

        def stop() -> None:
            late.set()
            os.killpg(run.pid, signal.SIGKILL)

        timer = threading.Timer(limit_s, stop)
        timer.start()
        _, status, used = os.wait4(run.pid, 0)
        timer.cancel()
        run.returncode = os.waitstatus_to_exitcode(status)
    words = into.with_suffix(".err").read_text(errors="replace").strip().splitlines()
    return {
        "seconds": time.perf_counter() - began,
        "processor_s": used.ru_utime + used.ru_stime,
        "peak_mb": used.ru_maxrss * (1 if sys.platform == "darwin" else 1024) / 1e6,
        "code": run.returncode,
        "said": f"longer than {limit_s:.0f} s" if late.is_set() else words[-1][:200] if words else "",
    }


def measure(stage: Stage, places: dict[str, Path], env: dict[str, str], limit_s: float) -> dict[str, object]:
    """The run of median length of a stage, and what failed."""
    runs: list[dict[str, object]] = []
    stood = [path for name in stage.again if (path := Path(name.format(**places))).exists()]
    aside = {path: path.with_name(f"{path.name}.before") for path in stood}
    for path, copy in aside.items():
        shutil.copy2(path, copy)
    for _ in range(stage.times):
        for path, copy in aside.items() if runs else ():
            shutil.copy2(copy, path)
            os.sync()
        for name in stage.fresh:
            path = Path(name.format(**places))
            for old in (path, path.with_name(f"{path.name}.wal")):
                old.unlink(missing_ok=True)
        command = [word.format(**places) for word in stage.command]
        into = Path(stage.into.format(**places)) if stage.into else places["out"] / "said.txt"
        runs.append(timed(command, into, env, limit_s))
        if runs[-1]["code"] not in stage.codes:
            runs = runs[-1:]
            break
    for copy in aside.values():
        copy.unlink()
    found = sorted(runs, key=lambda run: run["seconds"])[len(runs) // 2]
    store = places["store"]
    size = store.stat().st_size / 1e6 if store.exists() else None
    return found | {"failed": found["code"] not in stage.codes, "store_mb": size}


def agree(answers: Path) -> list[dict[str, object]]:
    """Whether the tool's answers and the figures by hand agree, table by table; in a process of its own, as what this
    one holds in memory would count as that of the stages to come."""
    command = [sys.executable, str(HERE / "agreement.py"), str(answers / "by_hand.json"), str(answers)]
    done = subprocess.run(command, capture_output=True, text=True)
    if done.returncode == 0:
        return list(json.loads(done.stdout))
    last = (done.stderr.strip().splitlines() or ["no word"])[-1]
    return [{"name": "all", "cells": 0, "worst": None, "agrees": False, "differs": last, "otherwise": ""}]


def run_size(
    folder: Path, rows: int, chosen: list[Stage], options: argparse.Namespace, results: dict
) -> None:
    """Write the world of a size, run the stages on it, and keep what was found after each."""
    work = folder / f"world-{rows}"
    places = {name: work / name for name in ("world", "month", "answers", "out")}
    places |= {"store": work / "store.duckdb", "scratch": work / "scratch.duckdb"}
    env = environment(work, options.memory)
    for name in ("out", "answers"):
        places[name].mkdir(parents=True, exist_ok=True)
    writer = (sys.executable, str(HERE / "big_worlds.py"))
    if not (places["world"] / "loads.csv").exists() or not (places["month"] / "loads.csv").exists():
        for name, more in (("world", ()), ("month", ("next",))):
            began = time.perf_counter()
            subprocess.run([*writer, str(places[name]), str(rows), *more], check=True)
            say(f"{rows:,}: {name} written in {time.perf_counter() - began:.1f} s")
    results["files_mb"][str(rows)] = sum(f.stat().st_size for f in places["world"].iterdir()) / 1e6
    for stage in chosen:
        os.sync()  # so that no stage pays for what one before it wrote
        found = measure(stage, places, env, min(options.limit, options.ends - time.monotonic()))
        words = f"FAILED: {found['said']}" if found["failed"] else f"{found['peak_mb']:,.0f} MB"
        say(
            f"{rows:,}: {stage.name}: {found['seconds']:.2f} s, {found['processor_s']:.2f} s of processor, {words}"
        )
        kept = [r for r in results["stages"] if (r["rows"], r["stage"]) != (rows, stage.name)]
        results["stages"] = [*kept, {"rows": rows, "stage": stage.name, "memory": options.memory, **found}]
        keep(folder, results)
    if any(stage.name == "by hand" for stage in chosen):
        results["agreement"][str(rows)] = agree(places["answers"])
        keep(folder, results)
    if not options.keep:
        shutil.rmtree(work)


def machine(analyst: str | None) -> dict[str, object]:
    """The size of the machine, how busy it is before the first stage, and versions."""
    code = (
        "import importlib.metadata as m, json, sys\n"
        "def v(n):\n    try: return m.version(n)\n    except m.PackageNotFoundError: return None\n"
        "print(json.dumps({'python': sys.version.split()[0]} | {n: v(n) for n in sys.argv[1:]}))"
    )

    def versions(python: str, *names: str) -> dict[str, str]:
        done = subprocess.run([python, "-c", code, *names], capture_output=True, text=True, check=True)
        return dict(json.loads(done.stdout))

    cores = len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    return {
        "date": f"{datetime.now(UTC):%Y-%m-%d}",
        "cores": cores,
        "memory_gb": round(os.sysconf("SC_PAGE_SIZE") * os.sysconf("SC_PHYS_PAGES") / 1e9),
        "load": round(os.getloadavg()[0], 1),
        "versions": versions(sys.executable, "duckdb", "polars", "scipy", "great-expectations"),
        "by_hand": versions(analyst, "pandas", "lifelines", "numpy") if analyst else None,
    }


def keep(folder: Path, results: dict) -> None:
    """Results so far, whole or as they were."""
    part = folder / "results.json.part"
    part.write_text(json.dumps(results, indent=1))
    part.replace(folder / "results.json")
    write_csv(folder / "results.csv", results)


def say(text: str) -> None:
    """Progress, on standard error."""
    print(text, file=sys.stderr, flush=True)


def with_lifelines(python: str) -> str | None:
    """The python, if it can run the script by hand."""
    code = (
        "import importlib.util as u, sys; sys.exit(not (u.find_spec('lifelines') and u.find_spec('pandas')))"
    )
    return python if subprocess.run([python, "-c", code]).returncode == 0 else None


def main() -> None:
    """Read the call, run, and print the tables."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("folder", type=Path, help="where worlds and results go")
    parser.add_argument("--sizes", default="1,14", help="millions of load rows, such as 1,14,100")
    parser.add_argument("--stages", default="all", help="names, separated by semicolons; all; or none")
    parser.add_argument("--analyst", default=sys.executable, help="a python that has pandas and lifelines")
    parser.add_argument("--memory", help="what the engine may take, such as 1GB (REPERMIT_MEMORY)")
    parser.add_argument("--limit", type=float, default=240.0, help="seconds that a stage may last")
    parser.add_argument("--minutes", type=float, default=12.0, help="what all stages together may last")
    parser.add_argument("--keep", action="store_true", help="leave worlds and stores in the folder")
    parser.add_argument("--readme", action="store_true", help="put the tables into the README")
    options = parser.parse_args()
    options.folder.mkdir(parents=True, exist_ok=True)
    options.ends = time.monotonic() + 60 * options.minutes
    analyst = with_lifelines(options.analyst)
    if analyst is None:
        say(f"{options.analyst} has no lifelines: nothing is done by hand")
    every = stages(analyst)
    wanted = [name.strip() for name in options.stages.split(";")]
    if options.stages not in ("all", "none") and (unknown := set(wanted) - {s.name for s in every}):
        parser.error(
            f"no such stage: {', '.join(sorted(unknown))}; there are: {'; '.join(s.name for s in every)}"
        )
    chosen = {"all": every, "none": []}.get(options.stages, [s for s in every if s.name in wanted])
    old = options.folder / "results.json"
    results = json.loads(old.read_text()) if old.exists() else {"stages": [], "agreement": {}, "files_mb": {}}
    if chosen:
        results["machine"] = machine(analyst)
        for size in options.sizes.split(","):
            run_size(options.folder, round(float(size) * MILLION), chosen, options, results)
    text = tables(results)
    (options.folder / "tables.md").write_text(text)
    print(text)
    if options.readme:
        write_readme(ROOT / "README.md", text)


if __name__ == "__main__":
    main()
