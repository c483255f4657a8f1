"""The fleet against the other fleets, like for like. Takes `FleetRecord`, gives a section."""

from __future__ import annotations

from repermit.studies.frequency.like_for_like import Against
from repermit.studies.readers.fleet import FleetRecord
from repermit.wording import number, percent, seen, whole
from repermit_reports.page import Column, Section, Table
from repermit_reports.pages.fleet.words import (
    PER,
    SURE,
    TOO_FEW,
    VERDICTS,
)


def against(f: FleetRecord) -> Section:
    """This fleet's faults against those of other fleets' trailers of the same kinds."""
    title = "Against the other fleets"
    if not f.other_fleets:
        return Section(
            "against", title, "No other fleet is on record, so there is nothing to hold it against."
        )
    if not f.visits:
        lede = (
            "No shop visit of this fleet is on record, so its faults can't be held against those of others."
        )
        return Section("against", title, lede)
    told = [a for a in f.against if a.others is not None]
    if not told:
        return Section("against", title, f"The other fleets have too few trailers of these kinds: {TOO_FEW}.")
    table = Table(
        "against-table",
        "Faults, like for like",
        (
            Column("per", "faults"),
            Column("verdict", "this fleet has"),
            Column("here", "this fleet", kind="interval"),
            Column("there", "other fleets", kind="interval"),
            Column("ratio", "times as many", kind="interval"),
        ),
        tuple(
            (
                PER[a.per],
                VERDICTS[a.verdict],
                (a.rate, a.low, a.high),
                (a.others, a.others_low, a.others_high),
                None if a.ratio is None else (a.ratio, a.ratio_low, a.ratio_high),
            )
            for a in told
        ),
    )
    notes = [_compared(f, told[0])]
    if f.loads is None or len(f.against) < len(PER):
        notes.append("No loads of this fleet are on record, so nothing can be told per load.")
    return Section(
        "against", title, " ".join(_against_sentence(a) for a in told), table=table, notes=tuple(notes)
    )


def _against_sentence(a: Against) -> str:
    return f"Faults {PER[a.per]}: {number(a.rate, 2)} here, {number(a.others, 2)} in the other fleets: {SURE[a.verdict]}."


def _compared(f: FleetRecord, a: Against) -> str:
    line = f"{seen(a.trailers, 'trailer')} of this fleet against {whole(a.others_trailers)} of {seen(f.other_fleets, 'other fleet')}, of the same wiring and number of positions as far as there are enough, in this fleet's proportions."
    if a.compared < 0.995:
        line += f" {percent(a.compared)} of this fleet's trailer days have their like elsewhere; the rest is left out here."
    return line
