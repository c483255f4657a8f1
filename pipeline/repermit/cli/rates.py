"""`repermit rates`: faults, exposure and mean time between faults by any set of keys."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

import typer

from repermit.cli.options import Asked, Format, question, warn_off_record
from repermit.cli.talk import say

if TYPE_CHECKING:
    from repermit.studies.ages.changes import Changes
    from repermit.studies.frequency.rates import Rate
    from repermit.studies.frequency.silent import Silent

BESIDE = {"signal": "signal", "shrunken_per_1000_loads": "shrunken", "worst_tenth": "worst_tenth"}
"""What stands beside the rates in a table, and its heading: of months, and of trailers, fleets and shops."""
SHOWN = ("faults", "loads", "days", "per_1000_loads", "low", "high", "mtbf_days")
SHOWN_FOUND = ("faults", "least", "most", "loads", "per_1000_loads", "low", "high", "mtbf_days")
"""What a table shows of findings: those not recorded are shared out, so the bounds matter more than the days."""
LEFT_OUT_SILENT = ("trailers", "stuck_wet", "position_years", "on_demand_low", "interval_days")
SHOWN_COMPARED = ("faults", "per_1000_loads", "low", "high")


@question()
def rates(
    asked: Asked,
    by: Annotated[
        str,
        typer.Option(
            "--by",
            help="Keys, separated by commas: position, place, cause, system, fleet, terminal, shop, month, trailer."
            " Or change alone: before and after each change made to trailers. Or silent alone: sensors stuck dry, which"
            " never stop a load, from planned tests.",
        ),
    ] = "position",
    compared: Annotated[
        bool,
        typer.Option("--compare", help="Each row against all others together, adjusted for their number."),
    ] = False,
) -> None:
    """How often: faults per 1,000 loads, time between faults. By month, which months are a signal."""
    from repermit.cli.show import write
    from repermit.studies.frequency.compare import Comparison, compare
    from repermit.studies.frequency.months import months
    from repermit.studies.frequency.rates import Rate, parse_by
    from repermit.studies.frequency.rates import rates as ask
    from repermit.studies.frequency.worse import worse

    keys = () if by.strip() in ("change", "silent") else parse_by(by)
    with asked.opened() as con:
        selection = asked.select(con)
        if by.strip() == "change":
            from repermit.studies.ages.changes import changes

            return _write_changes(asked.form, changes(con, asked.store.name, selection))
        if by.strip() == "silent":
            from repermit.studies.frequency.silent import silent

            return _write_silent(asked.form, silent(con, asked.store.name, selection))
        result = ask(con, asked.store.name, selection, keys)
        warn_off_record(con, selection.window)
        judged = months(con, asked.store.name, selection) if keys == ("month",) else None
        who = worse(con, asked.store.name, selection, result)
    marks: dict[object, dict[str, object]] = {}
    if judged:
        marks = dict(zip((row.month for row in judged.rows), judged.as_dicts(), strict=True))
    elif who:
        marks = {row.keys[who.by]: dict(who.columns(row)) for row in result.rows}
    mark_names = list(next(iter(marks.values()), {}))
    none = dict.fromkeys(mark_names)
    against = compare(result) if compared and keys else None
    sentences = [f"All: {result.total.sentence()}"]
    if who:
        sentences.append(who.sentence)
    if against:
        sentences.append(f"Against the other rows together: {against.sentence}")
    if result.shared and result.shared.missing:
        sentences.append(result.shared.sentence)
    if judged and judged.rows:
        sentences.append(judged.sentence)
    if asked.form is Format.table:
        told = [name for name in BESIDE if name in mark_names]
        shown = _columns(keys, compared)
        if "shrunken_per_1000_loads" in mark_names:
            shown = tuple(name for name in shown if name != "days")
        names = [*keys, *shown, *(BESIDE[name] for name in told)]
        rows = [
            [*r.keys.values(), *_shown(r, shown), *_told(marks.get(_first(r), none), told)]
            for r in result.rows
        ]
        if against:
            names += ["ratio", "ratio_low", "ratio_high", "p_holm"]
            rows = [
                [*row, c.ratio, c.ratio_low, c.ratio_high, c.p_holm]
                for row, c in zip(rows, against.rows, strict=True)
            ]
        if keys:
            total = [*[None] * (len(keys) - 1), *_shown(result.total, shown)]
            rows.append(["all", *total, *[None] * (len(names) - 1 - len(total))])
        write(asked.form, None, names, rows)
        say(
            f"{selection.window}; low and high are {result.about.level:.0%} limits of faults per 1,000 loads; counted apart:"
            f" correct trips on liquid {result.about.counts['near_misses']}, faults of racks {result.about.counts['rack_side']}"
        )
        for sentence in sentences:
            say(sentence)
        return
    found = [r.as_dict() | marks.get(_first(r), none) for r in result.rows]
    names = [*keys, *(n for n in Rate.__dataclass_fields__ if n != "keys"), *mark_names]
    if against:
        found = [row | c for row, c in zip(found, against.as_dicts(), strict=True)]
        names += ["compared_per", *Comparison.__dataclass_fields__]
    head = result.about.as_dict() | {"sentence": " ".join(sentences)}
    if result.shared:
        head["shared_out"] = result.shared.as_dict()
    write(asked.form, head, names, [[row[n] for n in names] for row in found])


def _write_changes(form: Format, result: Changes) -> None:
    """Did changes work: faults after against those expected without it."""
    from repermit.cli.show import write
    from repermit.studies.ages.changes import ChangeRow, change_sentence

    found = [row.as_dict() for row in result.rows]
    if form is not Format.table:
        names = list(found[0]) if found else [n for n in ChangeRow.__dataclass_fields__ if n[:3] != "by_"]
        about = result.about.as_dict() | {"sentence": result.sentence()}
        return write(form, about, names, [list(row.values()) for row in found])
    per = "loads" if any(row["ratio_loads"] is not None for row in found) else "days"
    names = ["change", "trailers", "faults_before", "faults_after"]
    told = [f"{name}_{per}" for name in ("expected", "ratio", "low", "high", "verdict")]
    write(form, None, [*names, *told], [[row[n] for n in (*names, *told)] for row in found])
    for row in result.rows:
        say(change_sentence(row))
    if not found:
        say(result.sentence())


def _first(rate: Rate) -> object:
    return next(iter(rate.keys.values()), None)


def _told(marks: dict[str, object], names: list[str]) -> list[object]:
    return ["not judged" if name == "signal" and marks[name] is None else marks[name] for name in names]


def _columns(keys: tuple[str, ...], compared: bool) -> tuple[str, ...]:
    """What fits beside the keys; JSON and CSV have all."""
    if compared:
        return SHOWN_COMPARED
    if not {"position", "place", "cause"} & set(keys):
        return SHOWN if len(keys) < 3 else SHOWN_COMPARED
    return SHOWN_FOUND if len(keys) == 1 else tuple(n for n in SHOWN_FOUND if n not in ("loads", "mtbf_days"))


def _shown(rate: object, names: tuple[str, ...]) -> list[object]:
    columns = {
        "low": "per_1000_loads_low", "high": "per_1000_loads_high", "least": "faults_least", "most": "faults_most",
    }  # fmt: skip
    return [getattr(rate, columns.get(name, name)) for name in names]


def _write_silent(form: Format, found: Silent) -> None:
    """Sensors stuck dry, by system and kind, from all planned tests before the window's end."""
    from repermit.cli.show import write
    from repermit.studies.frequency.silent import SilentRow

    names = tuple(SilentRow.__dataclass_fields__)
    if form is Format.table:
        shown = [n for n in names if n not in LEFT_OUT_SILENT]
        write(form, None, shown, [[getattr(row, n) for n in shown] for row in found.rows])
        say(found.sentence())
        return
    about = found.about.as_dict() | {"sentence": found.sentence()}
    rows = [[*(getattr(row, n) for n in names), row.sentence()] for row in found.rows]
    write(form, about, [*names, "sentence"], rows)
