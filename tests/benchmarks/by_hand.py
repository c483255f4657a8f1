"""The script that an analyst would write today for the same figures: the CSV files, pandas and lifelines, one run.

    python tests/benchmarks/by_hand.py FOLDER... > figures.json

It reads every file of the folders, joins refusals, repairs and loads, and writes the figures under the names that the
tool gives them (`agreement.py` holds both together). Columns of text are read as categories, which is the quickest
that pandas has for such files (its pyarrow reader took twice as long). It takes the files to be clean, with UTC times and each visit
returned, as those of `big_worlds.py` are: nothing is checked, set aside or kept. Knows nothing of the package.
"""

from __future__ import annotations

import json
import sys
import warnings
from pathlib import Path

import numpy as np
import pandas as pd
from lifelines import AalenJohansenFitter, KaplanMeierFitter, WeibullFitter
from scipy.stats import chi2, norm

EQUIPMENT = ["overfill", "ground", "unknown", "rack_controller"]
GAP = pd.Timedelta(hours=12)
MATCH = pd.Timedelta(days=14)
CLOCK = pd.Timedelta(hours=1)
DAY = pd.Timedelta(days=1)
HORIZONS = [30, 90, 180]


def read_table(folders: list[Path], name: str, **options: object) -> pd.DataFrame:
    """All files of one table, one under the other."""
    files = [folder / f"{name}.csv" for folder in folders if (folder / f"{name}.csv").exists()]
    return pd.concat([pd.read_csv(file, **options) for file in files], ignore_index=True)


def read_loads(folders: list[Path]) -> pd.DataFrame:
    """The exposure log, in as little memory as pandas needs."""
    names = {"trailer_id": "category", "terminal": "category", "lane": "category", "loads": "int32"}
    parts = [
        pd.read_csv(folder / "loads.csv", dtype=names, parse_dates=["loaded_on"], date_format="%Y-%m-%d")
        for folder in folders
    ]
    for column in ("trailer_id", "terminal", "lane"):
        every = pd.api.types.union_categoricals([part[column] for part in parts]).categories
        for part in parts:
            part[column] = part[column].cat.set_categories(every)
    return pd.concat(parts, ignore_index=True)


def to_times(table: pd.DataFrame, *columns: str) -> pd.DataFrame:
    """UTC times without their zone."""
    for column in columns:
        table[column] = pd.to_datetime(table[column], utc=True, format="ISO8601").dt.tz_localize(None)
    return table


# ---------------------------------------------------------------------------------------------------------- episodes


def runs_of(refusals: pd.DataFrame, repairs: pd.DataFrame) -> pd.DataFrame:
    """Equipment refusals with the run that each belongs to: a pause of 12 h, or a repair returned between, breaks it."""
    r = refusals[refusals.reason.isin(EQUIPMENT)].sort_values(["trailer_id", "refused_at", "refusal_id"])
    before = r.groupby("trailer_id").refused_at.shift()
    back = repairs[["trailer_id", "returned_at"]].sort_values("returned_at")
    last_back = pd.merge_asof(
        r.sort_values("refused_at").reset_index(),
        back, left_on="refused_at", right_on="returned_at", by="trailer_id",
    ).set_index("index").returned_at  # fmt: skip
    starts = before.isna() | (r.refused_at - before > GAP) | (last_back.reindex(r.index) > before)
    r["run"] = r.refusal_id.where(starts).ffill()
    r["run_began"] = r.groupby("run").refused_at.transform("min")
    return r


def match(repairs: pd.DataFrame, runs: pd.DataFrame) -> pd.Series:
    """The refusal that each repair answers: the one that it names, else the start of the latest run without a repair."""
    home = runs.set_index("refusal_id")
    answers = repairs.refusal_id.where(repairs.refusal_id.map(home.trailer_id) == repairs.trailer_id).astype(
        object
    )
    named = set(answers.dropna().map(home.run))
    free = runs[(runs.refusal_id == runs.run) & ~runs.run.isin(named)]
    free = free.assign(at=free.run_began - CLOCK)[["trailer_id", "run", "at"]].sort_values("at")
    waiting = repairs[answers.isna()].sort_values(["received_at", "repair_id"])
    while len(waiting) and len(free):
        found = pd.merge_asof(
            waiting.reset_index()[["index", "trailer_id", "received_at"]],
            free, left_on="received_at", right_on="at", by="trailer_id", tolerance=MATCH + CLOCK,
        ).dropna(subset="run")  # fmt: skip
        won = found.drop_duplicates("run")  # the first to come takes it, the others look further back
        if won.empty:
            break
        answers.loc[won["index"]] = won.run.to_numpy()
        free, waiting = free[~free.run.isin(won.run)], waiting.drop(index=won["index"])
    return answers


def label_parts(runs: pd.DataFrame, repairs: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """Labels of refusals and of repairs: a refusal within a visit belongs with that visit, if that began before it."""
    r = runs[["trailer_id", "refusal_id", "refused_at", "run"]]
    inside = r.merge(
        repairs[["trailer_id", "repair_id", "received_at", "returned_at", "answers"]], on="trailer_id"
    )
    inside = inside[(inside.received_at <= inside.refused_at) & (inside.refused_at < inside.returned_at)]
    asked_at = inside.answers.map(r.set_index("refusal_id").refused_at)
    earlier = (asked_at < inside.refused_at) | (
        (asked_at == inside.refused_at) & (inside.answers < inside.refusal_id)
    )
    inside = inside[inside.answers.isna() | earlier].sort_values(["received_at", "repair_id"])
    inside = inside.drop_duplicates("refusal_id", keep="last").set_index("refusal_id")
    label = "R:" + r.set_index("refusal_id").run
    label.loc[inside.index] = ("V:" + inside.repair_id).where(inside.answers.isna())
    while label.isna().any():  # follow the visit's refusal, which may itself lie within another visit
        open_ = label.index[label.isna()]
        label.loc[open_] = inside.answers.loc[open_].map(label).to_numpy()
    return label, repairs.answers.map(label).fillna("V:" + repairs.repair_id)


def join_labels(refusals: pd.DataFrame, repairs: pd.DataFrame, load_days: pd.DataFrame) -> pd.Series:
    """The episode of each label: two at most 14 days apart with no load and no repair between them are one."""
    r = refusals.groupby("label").agg(
        trailer_id=("trailer_id", "first"), began=("refused_at", "min"), last=("refused_at", "max")
    )
    alone = repairs[~repairs.label.isin(r.index)].groupby("label")
    v = alone.agg(trailer_id=("trailer_id", "first"), began=("received_at", "min"))
    labels = pd.concat([r.assign(alone=0), v.assign(last=v.began, alone=1)]).reset_index()
    labels = labels.sort_values(["trailer_id", "began", "alone", "label"], ignore_index=True)
    reached = labels.groupby("trailer_id")["last"].cummax()
    labels["before"] = reached.groupby(labels.trailer_id).shift()
    near = labels[labels.before.notna() & (labels.began - labels.before <= MATCH)]
    apart = near[near.began >= near.before].reset_index()
    seen = apart.merge(
        repairs[["trailer_id", "received_at", "returned_at", "label"]], on="trailer_id", suffixes=("", "_v")
    )
    seen = seen[
        (seen.received_at <= seen.began)
        & ((seen.returned_at > seen.before) | (seen.received_at >= seen.before))
        & (seen.label_v != seen.label)
    ]
    loaded = pd.merge_asof(
        apart.sort_values("began"),
        load_days, left_on="began", right_on="loaded_on", by="trailer_id", allow_exact_matches=False,
    )  # fmt: skip
    loaded = loaded[(loaded.loaded_on + DAY > loaded.before) & (loaded.before < loaded.began)]
    parted = set(seen["index"]) | set(loaded["index"])
    starts = ~labels.index.isin(near.index) | labels.index.isin(list(parted))
    labels["episode"] = labels.label.where(starts).ffill()
    return labels.set_index("label").episode


def episodes_of(
    refusals: pd.DataFrame, repairs: pd.DataFrame, load_days: pd.DataFrame, end: pd.Timestamp
) -> pd.DataFrame:
    """One row an episode: start, first lane, outcome, and the visit that gives the finding."""
    first = refusals.sort_values(["refused_at", "refusal_id"]).groupby("episode")
    e = first.agg(
        trailer_id=("trailer_id", "first"),
        began=("refused_at", "first"),
        terminal=("terminal", "first"),
        lane=("lane", "first"),
        last_refused=("refused_at", "last"),
        released_by=("released_by", "last"),
        rack_only=("rack", "all"),
    )
    visits = repairs.assign(rank=repairs.permit_restored.map({True: 2, False: 0}).fillna(1)).sort_values(
        ["rank", "received_at", "repair_id"]
    )
    finding = visits.groupby("episode").tail(1).set_index("episode")
    alone = finding[~finding.index.isin(e.index)]
    began = repairs.groupby("episode").received_at.min()
    e = pd.concat(
        [
            e,
            pd.DataFrame(
                {"trailer_id": alone.trailer_id, "began": began.reindex(alone.index), "rack_only": False}
            ),
        ]
    )
    e = e.join(finding[["repair_id", "found_position", "found_place", "cause", "action"]])
    left = e[e.repair_id.isna()].reset_index().sort_values("last_refused")
    left["day"] = left.last_refused.dt.floor("D")
    later = pd.merge_asof(
        left.sort_values("day"), load_days, left_on="day", right_on="loaded_on", by="trailer_id", direction="forward"
    ).set_index("episode").loaded_on  # fmt: skip
    no_load = later.reindex(e.index).isna()
    cleared = e.repair_id.isna() & (
        e.released_by.isin(["retry", "other_lane"]) | (e.released_by.isna() & ~no_load)
    )
    is_open = e.repair_id.isna() & ~cleared & no_load
    e["outcome"] = np.select([e.repair_id.notna(), cleared, is_open], ["repaired", "cleared", "open"], "left")
    racks = (e.found_place == "rack") | (e.cause == "rack_equipment") | e.rack_only.astype(bool)
    counted = (e.outcome == "repaired") | ((e.outcome == "open") & (e.began + MATCH >= end))
    e["fault"] = counted & ~racks & (e.cause != "liquid_present")
    return e


# ----------------------------------------------------------------------------------------------------------- figures


def exact_limits(count: pd.Series, exposure: pd.Series) -> tuple[pd.Series, pd.Series]:
    """Exact Poisson 95 % limits of a rate."""
    low = np.where(count > 0, chi2.ppf(0.025, 2 * count), 0.0) / 2
    return low / exposure, chi2.ppf(0.975, 2 * count + 2) / 2 / exposure


def stays_of(repairs: pd.DataFrame) -> pd.DataFrame:
    """The time in shops by trailer, overlapping visits once."""
    s = repairs.sort_values(["trailer_id", "received_at", "repair_id"])
    reached = s.groupby("trailer_id").returned_at.cummax().groupby(s.trailer_id).shift()
    began = s.received_at.where(reached.isna() | (s.received_at > reached), reached)
    return pd.DataFrame({"trailer_id": s.trailer_id, "began": began, "ended": s.returned_at})[
        s.returned_at > began
    ]


def days_at_risk(
    trailers: pd.DataFrame, stays: pd.DataFrame, first: pd.Timestamp, end: pd.Timestamp
) -> pd.Series:
    """Days in service less days in shops, by trailer, within a window."""
    service = (end - trailers.set_index("trailer_id").in_service_on.clip(lower=first)).clip(
        lower=pd.Timedelta(0)
    )
    away = (stays.ended.clip(upper=end) - stays.began.clip(lower=first)).clip(lower=pd.Timedelta(0))
    return (service / DAY).sub((away / DAY).groupby(stays.trailer_id).sum(), fill_value=0.0)


def rates(
    faults: pd.DataFrame, trailers: pd.DataFrame, days: pd.Series, loads: pd.Series
) -> dict[str, list[dict]]:
    """Faults and exposure by position and cause, and by trailer with exact limits."""
    found = faults[faults.cause.notna() & (faults.position.notna() | (faults.cause == "none_found"))]
    cells = found.groupby(["position", "cause"], dropna=False).size().rename("faults_found").reset_index()
    longest = trailers.set_index("trailer_id").positions
    at = {p: longest.index[longest >= p] for p in cells.position.dropna().unique()}
    whose = [at.get(p, longest.index) for p in cells.position]
    cells["days"] = [days.reindex(w).sum() for w in whose]
    cells["loads"] = [int(loads.reindex(w).sum()) for w in whose]
    each = pd.DataFrame({"days": days, "loads": loads}).fillna(0)
    each["faults"] = faults.groupby("trailer_id").size().reindex(each.index, fill_value=0)
    return {
        "rates by position and cause": rows_of(cells),
        "rates by trailer": rows_of(with_rates(each, "trailer")),
    }


def with_rates(table: pd.DataFrame, key: str) -> pd.DataFrame:
    """Rates per 1,000 loads with exact limits, and days between faults."""
    low, high = exact_limits(table.faults, table.loads)
    return table.assign(
        per_1000_loads=1000 * table.faults / table.loads,
        per_1000_loads_low=1000 * low,
        per_1000_loads_high=1000 * high,
        mtbf_days=(table.days / table.faults).replace(np.inf, np.nan),
    ).rename_axis(key).reset_index()  # fmt: skip


def by_month(
    faults: pd.DataFrame,
    trailers: pd.DataFrame,
    stays: pd.DataFrame,
    loads: pd.Series,
    first: pd.Timestamp,
    end: pd.Timestamp,
) -> list[dict]:
    """The u chart: faults, exposure and rate by month, and where a month is expected to lie."""
    months = loads.index
    table = pd.DataFrame({"loads": loads})
    table["faults"] = faults.began.dt.to_period("M").value_counts().reindex(months, fill_value=0)
    table["days"] = [
        days_at_risk(trailers, stays, max(m.start_time, first), min((m + 1).start_time, end)).sum()
        for m in months
    ]
    centre = table.faults.sum() / table.loads.sum()
    spread = 3 * np.sqrt(centre / table.loads)
    table["u_low"], table["u_high"] = 1000 * (centre - spread).clip(lower=0), 1000 * (centre + spread)
    table.index = months.astype(str)
    return rows_of(with_rates(table, "month"))


def fixes(faults: pd.DataFrame, repairs: pd.DataFrame, end: pd.Timestamp) -> list[dict]:
    """Which share of repairs comes back within 30, 90 and 180 days, by action; faults elsewhere compete.

    Where the next fault's position is not recorded: least (it was elsewhere) and most (it was here).
    """
    fixed = faults[faults.outcome == "repaired"].merge(
        repairs[["repair_id", "returned_at"]], on="repair_id", suffixes=("", "_r")
    )
    fixed = fixed[fixed.returned_at < end].sort_values("returned_at")
    following = faults[["trailer_id", "began", "position", "cause"]].sort_values("began")
    fixed = pd.merge_asof(
        fixed, following.rename(columns={"began": "next_at", "position": "next_position", "cause": "next_cause"}),
        left_on="returned_at", right_on="next_at", by="trailer_id", direction="forward",
    )  # fmt: skip
    fixed["failed"] = fixed.next_at.notna()
    fixed["days"] = (fixed.next_at.fillna(end) - fixed.returned_at) / DAY
    here = fixed.failed & (fixed.next_position == fixed.position)
    perhaps = here | (fixed.failed & fixed.next_position.isna() & (fixed.next_cause != "none_found"))
    fixed["least"], fixed["most"] = (np.select([m, fixed.failed], [1, 2], 0) for m in (here, perhaps))
    found = []
    for action, mine in fixed.groupby("action"):
        placed = mine[mine.position.notna()]
        row = {"action": action, "fixes": len(mine), "placed": len(placed)}
        any_fault = KaplanMeierFitter().fit(mine.days, mine.failed)
        row |= {f"any_fault_{d}d": 1 - any_fault.predict(d) for d in HORIZONS}
        for bound in ("least", "most"):
            soon = placed[placed[bound] == 1].days
            row |= {f"back_{bound}_{d}d": int((soon <= d).sum()) for d in HORIZONS}
            if len(placed):
                row |= {
                    f"risk_{bound}_{d}d": r
                    for d, r in zip(HORIZONS, incidence(placed.days, placed[bound]), strict=True)
                }
        found.append(row)
    return found


def incidence(days: pd.Series, code: pd.Series) -> list[float]:
    """Aalen-Johansen risk of event 1 at the horizons."""
    fitted = AalenJohansenFitter(calculate_variance=False, seed=1).fit(days, code, event_of_interest=1)
    curve = fitted.cumulative_density_.iloc[:, 0]
    return [float(curve[curve.index <= d].iloc[-1]) for d in HORIZONS]


def lives(repairs: pd.DataFrame, trailers: pd.DataFrame, starts: pd.Series, end: pd.Timestamp) -> list[dict]:
    """Sensor lives by lot, of sensors whose fitting is on record: Weibull, and the share that works after a year.

    A replacement whose position nobody wrote down ends what is known of each position of the trailer, with its part of
    a failure.
    """
    r = repairs[repairs.action == "sensor_replaced"].copy()
    known = r.cause.notna()
    share = (r.cause[known] == "sensor_failed").mean()
    r["ended"] = r.received_at.where(r.repair_id.map(starts).isna(), r.repair_id.map(starts)).clip(
        upper=r.received_at
    )
    positions = r.trailer_id.map(trailers.set_index("trailer_id").positions)
    r["weight"] = np.where(r.cause == "sensor_failed", 1.0, np.where(known, 0.0, share))
    unknown = r[r.found_position.isna()]
    spread = unknown.loc[unknown.index.repeat(positions[unknown.index])]
    spread = spread.assign(
        found_position=spread.groupby(level=0).cumcount() + 1.0,
        weight=spread.weight / positions[spread.index],
        fits=False,
    )
    all_ = pd.concat([r[r.found_position.notna()].assign(fits=True), spread])
    all_ = all_.sort_values(["trailer_id", "found_position", "received_at", "repair_id"], ignore_index=True)
    following = all_.groupby(["trailer_id", "found_position"])[["ended", "weight"]].shift(-1)
    all_["weight"], ended = following.weight.fillna(0.0), following.ended.fillna(end)
    days = ((ended - all_.returned_at).clip(lower=pd.Timedelta(0)) / DAY * 10).round() / 10
    all_["days"] = days.where(all_.weight == 0, days.clip(lower=0.5))
    mine = all_[all_.fits & (all_.returned_at < end) & (all_.days > 0)]
    return [{"lot": lot} | life_of(lot_rows) for lot, lot_rows in mine.groupby("part_lot")]


def life_of(rows: pd.DataFrame) -> dict:
    """One Weibull fit; a part of a failure is a weighted event beside a weighted survivor."""
    both = pd.concat([rows.assign(event=1), rows.assign(event=0, weight=1 - rows.weight)])
    both = both[both.weight > 0]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # lifelines would rather have whole weights
        fit = WeibullFitter().fit(both.days, both.event, weights=both.weight)
        km = KaplanMeierFitter().fit(both.days, both.event, weights=both.weight)
    return {
        "lives": len(rows),
        "failures": rows.weight.sum(),
        "weibull_shape": fit.rho_,
        "weibull_scale_days": fit.lambda_,
        "median_days": fit.median_survival_time_,
        "surviving_365d": km.predict(365),
    }


def laplace(
    faults: pd.DataFrame, trailers: pd.DataFrame, stays: pd.DataFrame, days: pd.Series, first: pd.Timestamp
) -> list[dict]:
    """Laplace's test by fleet, pooled over trailers, on the days at risk behind each fault."""
    s = stays.assign(length=(stays.ended - stays.began) / DAY).sort_values("began")
    s["away"] = s.groupby("trailer_id").length.cumsum()
    f = pd.merge_asof(
        faults[["trailer_id", "began"]].rename(columns={"began": "fell"}).sort_values("fell"),
        s[["trailer_id", "began", "ended", "away"]], left_on="fell", right_on="began", by="trailer_id",
        allow_exact_matches=False,
    )  # fmt: skip
    still = ((f.ended - f.fell) / DAY).clip(lower=0).fillna(0.0)  # fell while the trailer was in a shop
    f["at"] = (f.fell - first) / DAY - f.away.fillna(0.0) + still
    f["days"] = f.trailer_id.map(days)
    f["fleet"] = f.trailer_id.map(trailers.set_index("trailer_id").fleet)
    g = f.assign(score=f["at"] - f.days / 2, variance=f.days**2 / 12).groupby("fleet")
    table = g.agg(faults=("score", "size"), score=("score", "sum"), variance=("variance", "sum"))
    table["laplace_z"] = table.score / np.sqrt(table.variance)
    table["days"] = days.groupby(trailers.set_index("trailer_id").fleet).sum()
    return rows_of(table[["faults", "days", "laplace_z"]].reset_index())


def located(
    repairs: pd.DataFrame, trailers: pd.DataFrame, first: pd.Timestamp, end: pd.Timestamp
) -> list[dict]:
    """Where the fault was, of what the tester named, with Wilson's limits."""
    r = repairs[
        (repairs.received_at >= first) & (repairs.received_at < end) & repairs.indicated_position.notna()
    ]
    r = r[r.position.notna() | (r.found_place == "none_found")]
    r = r.assign(system=r.trailer_id.map(trailers.set_index("trailer_id").system))
    keys = ["system", "indicated_position", "position", "found_place"]
    table = r.groupby(keys, dropna=False).size().rename("repairs").reset_index()
    n = table.groupby(keys[:2]).repairs.transform("sum")
    z = norm.ppf(0.975)
    p, middle = table.repairs / n, (table.repairs + z**2 / 2) / (n + z**2)
    half = z * np.sqrt(p * (1 - p) / n + z**2 / (4 * n**2)) / (1 + z**2 / n)
    table = table.assign(share=p, share_low=middle - half, share_high=middle + half)
    return rows_of(table.rename(columns={"position": "found_position"}))


def rows_of(table: pd.DataFrame) -> list[dict]:
    """Plain rows for JSON; what is not known is None."""
    return table.astype(object).where(table.notna(), None).to_dict("records")


def figures(folders: list[Path]) -> dict[str, list[dict]]:
    """All figures of the files of the folders."""
    trailers = read_table(folders, "trailers", parse_dates=["in_service_on"])
    loads = read_loads(folders)
    refusals = to_times(read_table(folders, "refusals"), "refused_at")
    repairs = to_times(read_table(folders, "repairs"), "received_at", "returned_at")
    by_day = loads.groupby(["trailer_id", "loaded_on"], observed=True, sort=False).loads.sum().reset_index()
    load_days = by_day[["trailer_id", "loaded_on"]].sort_values("loaded_on")
    load_days["trailer_id"] = load_days.trailer_id.astype(object)
    covered = refusals.refused_at.agg(["min", "max"]).dt.floor("D")
    first = max(covered["min"], load_days.loaded_on.iloc[0])
    end = min(covered["max"], load_days.loaded_on.iloc[-1]) + DAY

    runs = runs_of(refusals, repairs)
    repairs["answers"] = match(repairs, runs)
    labels, repairs["label"] = label_parts(runs, repairs)
    runs["label"], runs["rack"] = runs.refusal_id.map(labels), runs.reason == "rack_controller"
    episode = join_labels(runs, repairs, load_days)
    runs["episode"], repairs["episode"] = runs.label.map(episode), repairs.label.map(episode)
    episodes = episodes_of(runs, repairs, load_days, end)
    nowhere = ["none_found"]
    for table in (episodes, repairs):
        looked = table.found_position.where(~(table.cause.isin(nowhere) | table.found_place.isin(nowhere)))
        table["position"] = looked.where(~table.found_place.isin(["socket", "ground_circuit"]), 0.0)
    started = repairs.set_index("repair_id").episode.map(episodes.began)
    in_window = episodes[(episodes.began >= first) & (episodes.began < end)]
    faults = in_window[in_window.fault]

    stays = stays_of(repairs)
    days = days_at_risk(trailers, stays, first, end)
    worked = by_day[(by_day.loaded_on >= first) & (by_day.loaded_on < end)]
    by_trailer = worked.groupby("trailer_id", observed=True).loads.sum()
    by_trailer.index = by_trailer.index.astype(object)
    monthly = worked.groupby(worked.loaded_on.dt.to_period("M")).loads.sum()
    cleared = in_window[in_window.outcome == "cleared"].groupby(["terminal", "lane"]).size()
    in_days = loads[(loads.loaded_on >= first) & (loads.loaded_on < end)]
    lanes = in_days.groupby(["terminal", "lane"], observed=True).loads.sum().reset_index()
    lanes["cleared_without_repair"] = cleared.reindex(
        pd.MultiIndex.from_frame(lanes[["terminal", "lane"]]), fill_value=0
    ).to_numpy()
    return rates(faults, trailers, days, by_trailer) | {
        "rates by month": by_month(faults, trailers, stays, monthly, first, end),
        "fixes by action": fixes(faults, repairs, end),
        "life by lot": lives(repairs, trailers, started, end),
        "lanes": rows_of(lanes),
        "located": located(repairs, trailers, first, end),
        "trend by fleet": laplace(faults, trailers, stays, days, first),
        "counts": [{"episodes": len(in_window), "faults": len(faults), "loads": int(worked.loads.sum())}],
    }


if __name__ == "__main__":
    json.dump(figures([Path(name) for name in sys.argv[1:]]), sys.stdout, default=float)
