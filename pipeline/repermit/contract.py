"""The input contract: every table, column and rule, written once.

From here come typing, the quarantine's reasons, the expectations, `repermit contract` and the tables of
the README. Pure data and text: nothing is opened or run. May import `settings` only.

A rule is one SQL predicate. `row.` is the typed row, `text.` the row as read, and `needs` names the other
table that it looks at (`trailers.`: the spell of the row's trailer at the row's moment; `refusals.`: the
refusal that the row names). A row fails a rule where `not coalesce(holds, true)`: not known is not wrong.
"""

from __future__ import annotations

from dataclasses import dataclass

from repermit.settings import Settings

DEFAULTS = Settings()

NEVER, TWICE = "] never was", "] was twice"
"""How the text of a local time ends that the clocks of its zone skipped, or showed twice: `2025-03-30T02:30:00[Area/City] never was`."""


def _kept(setting: str) -> str:
    """SQL of a setting that the store keeps."""
    return f"(select cast(value as integer) from record.meta where name = 'setting.{setting}')"


@dataclass(frozen=True)
class Rule:
    """One rule: `holds` is an SQL predicate, `text` the sentence that a person reads when it fails. `in_print`: the same
    predicate of cells that are known to have no control character, which saves a search of each."""

    name: str
    holds: str
    text: str
    blocks: bool = True
    needs: str | None = None
    in_print: str | None = None


@dataclass(frozen=True)
class Kind:
    """How a column's text becomes a value: the SQL type, the pattern it must match, its name in words, and how long
    it may be (told only where a cell does not read)."""

    sql_type: str
    pattern: str
    words: str
    length: str = ""


KINDS = {
    "text": Kind("VARCHAR", "", "text"),
    "count": Kind("INTEGER", r"\d{1,9}", "a whole number", " of at most 9 digits"),
    "number": Kind(
        "DECIMAL(18,6)",
        r"[+-]?\d{1,11}(\.\d{1,6})?",
        "a number with a decimal point",
        ", at most 11 digits before it and 6 after it",
    ),
    "day": Kind("DATE", r"(19|20)\d{2}-\d{2}-\d{2}", "a date, YYYY-MM-DD"),
    "time": Kind(
        "TIMESTAMP",
        r"(19|20)\d{2}-\d{2}-\d{2}[T ]\d{2}:\d{2}(:\d{2}(\.\d{1,6})?)?(Z|[+-]((0\d|1[0-3]):[0-5]\d|14:00))",
        "an ISO 8601 time with its offset, such as 2025-03-01T14:05+01:00, or a date",
    ),
    "flag": Kind("BOOLEAN", r"yes|no|true|false|1|0", "yes or no"),
}


@dataclass(frozen=True)
class Column:
    """One column. `default` stands where the cell is empty; `low` and `high` bound a number, both included."""

    name: str
    kind: str
    text: str
    required: bool = False
    listed: tuple[str, ...] = ()
    default: str | None = None
    low: int | None = None
    high: int | None = None
    unit: str = ""

    def rules(self) -> list[Rule]:
        """The rules that follow from the column alone."""
        name, kind = self.name, KINDS[self.kind]
        rules = []
        if self.required:
            rules.append(Rule(f"{name}_given", f"text.{name} is not null", f"{name} is given"))
        if self.kind == "text" and not self.listed:
            longest = 10_000 if name == "note" else 200
            short = f"length(text.{name}) <= {longest}"
            holds = f"{short} and not regexp_matches(text.{name}, '[\\x00-\\x08\\x0E-\\x1F]')"
            words = f"{name} is at most {longest:,} characters, no control characters"
            rules.append(Rule(f"{name}_reads", holds, words, in_print=short))
        elif self.kind != "text":
            holds = f"text.{name} is null or row.{name} is not null"
            if self.kind == "time":
                holds += f" or suffix(text.{name}, '{NEVER}') or suffix(text.{name}, '{TWICE}')"
            rules.append(Rule(f"{name}_reads", holds, f"{name} reads as {kind.words}{kind.length}"))
        if self.kind == "time":
            rules += self._clock()
        if self.listed:
            words = ", ".join(f"'{word}'" for word in self.listed)
            rules.append(
                Rule(
                    f"{name}_listed", f"row.{name} in ({words})", f"{name} is one of {', '.join(self.listed)}"
                )
            )
        if self.low is not None or self.high is not None:
            rules.append(self._range())
        return rules

    def _clock(self) -> list[Rule]:
        """Of a local time: that the clocks of its zone showed it, and not twice."""
        told = (
            ("real", NEVER, "is a time that the clocks of its zone did not skip in spring"),
            ("once", TWICE, "is a time that the clocks of its zone did not show twice in autumn"),
        )
        return [
            Rule(f"{self.name}_{what}", f"not suffix(text.{self.name}, '{end}')", f"{self.name} {words}")
            for what, end, words in told
        ]

    def _range(self) -> Rule:
        parts = [f"row.{self.name} >= {self.low}"] if self.low is not None else []
        parts += [f"row.{self.name} <= {self.high}"] if self.high is not None else []
        words = f"{self.low} to {self.high}" if self.high is not None else f"{self.low} or more"
        unit = f" {self.unit}" if self.unit else ""
        return Rule(f"{self.name}_in_range", " and ".join(parts), f"{self.name} is {words}{unit}")


@dataclass(frozen=True)
class Table:
    """One input table: its key, its columns, its rules, and the SQL that says when a row happened."""

    name: str
    grain: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    moment: str | None = None
    own_rules: tuple[Rule, ...] = ()
    any_of: tuple[str, ...] = ()
    """Columns of which a header must have at least one."""
    keeps_lines: bool = True
    """Whether accepted rows keep their line number and line as read (all but the exposure log)."""

    @property
    def all_columns(self) -> tuple[Column, ...]:
        """The columns with `withdrawn`, which every table may carry."""
        return (*self.columns, WITHDRAWN)

    def column(self, name: str) -> Column:
        """The column of that name."""
        return next(c for c in self.all_columns if c.name == name)

    def rules(self) -> list[Rule]:
        """Every rule, in the order in which reasons are told."""
        rules = [rule for column in self.all_columns for rule in column.rules()]
        if self.name != "trailers" and any(c.name == "trailer_id" for c in self.columns):
            rules += TRAILER_RULES if self.moment else TRAILER_RULES[:1]
        rules += self.own_rules
        return [rule if rule.name in self.key_rules else _unless_withdrawn(rule) for rule in rules]

    @property
    def key_rules(self) -> list[str]:
        """The names of the rules without which a row has no key. `moment_given`: the key has a day or a time."""
        parts = (*self.key, "moment")
        return [f"{name}_{what}" for name in parts for what in ("given", "reads", "real", "once", "listed")]

    @property
    def needs(self) -> set[str]:
        """The other tables that the rules look at."""
        return {rule.needs for rule in self.rules() if rule.needs}


def _unless_withdrawn(rule: Rule) -> Rule:
    """A row that withdraws a record needs its key and nothing else."""
    if rule.name.startswith("withdrawn"):
        return rule
    return Rule(
        rule.name,
        f"coalesce(row.withdrawn, false) or coalesce({rule.holds}, true)",
        rule.text,
        rule.blocks,
        rule.needs,
    )


WITHDRAWN = Column("withdrawn", "flag", "yes = this record is taken back; only the key is read")

TRAILER_RULES = [
    Rule(
        "trailer_known",
        "trailers.trailer_id is not null",
        "the trailer is in the list of trailers",
        needs="trailers",
    ),
    Rule("in_service", "trailers.in_service", "the trailer was in service at the time", needs="trailers"),
]

# Rules of the reconciliation, judged by ingest on whole sets of rows rather than by a predicate on one.
LINE_WHOLE = Rule(
    "line_whole",
    "",
    "the line has as many fields as the header, but for empty ones at its end, and its quotes close",
)
LINE_OF_TABLE = Rule(
    "line_of_table", "", "the line belongs to one of the tables that the mapping has its file fill"
)
ID_ONCE = Rule("id_once", "", "one ingest says one thing about a key; these lines disagree")
WITHDRAWS_KNOWN = Rule("withdraws_known", "", "there is a record of that key to withdraw")
SPELLS_APART = Rule("spells_apart", "", "the spells of one trailer do not overlap")
SET_RULES = (LINE_WHOLE, LINE_OF_TABLE, ID_ONCE, WITHDRAWS_KNOWN, SPELLS_APART)
LINE_RULES = (LINE_WHOLE, LINE_OF_TABLE)
"""What sets a line aside before it is a row: it waits as read, without columns, and is not judged again."""

SYSTEMS = ("five_wire", "two_wire")
REASONS = ("overfill", "ground", "vehicle_id", "vapour_interlock", "paperwork", "rack_controller", "unknown")
PLACES = ("sensor", "housing_wiring", "cable", "socket", "ground_circuit", "rack", "none_found")
CAUSES = (
    "residual_liquid", "liquid_present", "sensor_failed", "bad_crimp", "corrosion", "water_ingress",
    "nicked_conductor", "pinched_cable", "low_supply", "contact_wear", "open_ground", "rack_equipment",
    "none_found",
)  # fmt: skip
ACTIONS = (
    "sensor_cleaned", "recrimped", "connection_cleaned", "cable_replaced", "sensor_replaced",
    "socket_replaced", "ground_restored", "none",
)  # fmt: skip
CHECKS = (
    "sensor_tip_clean", "connection_look", "pull_test", "strain_relief_look", "supply_voltage", "sensor_swap",
    "neighbour_swap", "socket_look", "ground_test", "function_test",
)  # fmt: skip

TRAILER_ID = Column("trailer_id", "text", "the trailer", required=True)


def _position(name: str, text: str, *, low: int = 1, required: bool = False) -> Column:
    return Column(name, "count", text, low=low, high=12, required=required)


def _position_rule(name: str) -> Rule:
    return Rule(
        f"{name}_exists",
        f"row.{name} <= trailers.positions",
        f"the trailer has that {name}",
        needs="trailers",
    )


INDICATED = Rule(
    "indicated_position_exists",
    "row.indicated_position <= trailers.positions"
    " or (row.indicated_position <= 8 and coalesce(trailers.system = 'two_wire', false))",
    "the trailer has that indicated_position, or is two_wire and it is a channel of the socket, up to 8",
    needs="trailers",
)
"""A two_wire tester may name a channel above the trailer's count: the dummy that stands for it."""


def _order_rule(name: str, first: str, second: str, text: str) -> Rule:
    """`first` is not after `second`; a date without a time holds if any moment of that day does."""
    return Rule(name, f"row.{first} <= row.{second} or row.{first} < row.{second}_until", text)


TRAILERS = Table(
    "trailers",
    "one row a spell of a trailer with a fleet; a sale to another fleet is a new spell",
    ("trailer_id", "in_service_on"),
    (
        TRAILER_ID,
        Column("fleet", "text", "who runs it in this spell"),
        Column("system", "text", "how its sensors are wired", listed=SYSTEMS),
        Column("sensor_kind", "text", "how its sensors sense", listed=("optic", "thermistor")),
        Column(
            "positions",
            "count",
            "places in the sensor chain, one a compartment",
            required=True,
            low=1,
            high=12,
        ),
        Column("in_service_on", "day", "first day of the spell, from 00:00 UTC", required=True),
        Column("out_of_service_on", "day", "first day no longer in the spell; empty = still in it"),
        Column(
            "supply_entry", "text", "at which end supply enters", listed=("rear", "front"), default="rear"
        ),
        Column(
            "numbering",
            "text",
            "from which end positions are counted",
            listed=("front_first", "rear_first", "unknown"),
            default="unknown",
        ),
        Column("home_shop", "text", "the shop that looks after it"),
        Column("records_from", "day", "since when its repairs are on record"),
    ),
    own_rules=(
        Rule(
            "spell_runs_forward",
            "row.out_of_service_on > row.in_service_on",
            "out_of_service_on is after in_service_on",
        ),
        Rule(
            "not_an_alias",
            "row.trailer_id not in (select alias from record.aliases)",
            "trailer_id is not an alias of another trailer",
        ),
        Rule(
            "two_wire_length",
            "row.system <> 'two_wire' or row.positions <= 8",
            "a two_wire trailer has at most 8 positions (EN 13922:2020, 6.1.1)",
        ),
    ),
)

LOADS = Table(
    "loads",
    "one row a trailer, lane and day (or time) of completed loads; without the column loads, one line a load",
    ("trailer_id", "terminal", "lane", "loaded_on", "loaded_at"),
    (
        TRAILER_ID,
        Column("terminal", "text", "the terminal"),
        Column("lane", "text", "the lane within the terminal"),
        Column("loaded_on", "day", "the day of the loads; or give loaded_at"),
        Column("loaded_at", "time", "the time of the load; or give loaded_on"),
        Column("loads", "count", "completed loads", default="1"),
    ),
    moment="coalesce(row.loaded_at, row.loaded_on)",
    own_rules=(
        Rule(
            "moment_given",
            "text.loaded_on is not null or text.loaded_at is not null",
            "loaded_on or loaded_at is given",
        ),
    ),
    any_of=("loaded_on", "loaded_at"),
    keeps_lines=False,
)

REFUSALS = Table(
    "refusals",
    "one row each time a lane gave non-permit",
    ("refusal_id",),
    (
        Column("refusal_id", "text", "the refusal's own number", required=True),
        TRAILER_ID,
        Column("refused_at", "time", "when", required=True),
        Column("terminal", "text", "where"),
        Column("lane", "text", "the lane within the terminal"),
        Column(
            "reason",
            "text",
            "what the rack said; overfill: it cannot tell wet from open",
            listed=REASONS,
            default="unknown",
        ),
        Column("stage", "text", "before or during loading", listed=("before_flow", "during_flow")),
        _position("indicated_position", "the position that the rack named, where it names one"),
        Column("released_at", "time", "when the lane was free again"),
        Column(
            "released_by",
            "text",
            "how it ended",
            listed=("retry", "other_lane", "shop", "left_without_load", "unknown"),
        ),
        Column("delay_min", "number", "how long the lane stood", low=0, unit="min"),
    ),
    moment="row.refused_at",
    own_rules=(
        INDICATED,
        _order_rule(
            "released_after_refused", "refused_at", "released_at", "released_at is not before refused_at"
        ),
    ),
)

REPAIRS = Table(
    "repairs",
    "one row a finding of a shop visit",
    ("repair_id", "finding_no"),
    (
        Column("repair_id", "text", "the visit's own number", required=True),
        Column("finding_no", "count", "which finding of the visit", default="1", low=1, high=99),
        TRAILER_ID,
        Column("refusal_id", "text", "the refusal that it answers, where the shop wrote it down"),
        Column("shop", "text", "the shop"),
        Column(
            "visit_kind",
            "text",
            "why the trailer came",
            listed=("non_permit", "inspection", "damage", "planned"),
            default="non_permit",
        ),
        Column("received_at", "time", "when the trailer came in", required=True),
        Column("returned_at", "time", "when it went back; empty = not known or still there"),
        _position("indicated_position", "the position that the tester named"),
        Column(
            "indication",
            "text",
            "what the tester showed",
            listed=("position", "several", "all_pass", "none_pass", "intermittent", "not_recorded"),
        ),
        _position("found_position", "where the fault was; 0 = trailer level (socket, ground circuit)", low=0),
        Column("found_place", "text", "in what the fault was", listed=PLACES),
        Column("cause", "text", "what the fault was; none_found = looked and found nothing", listed=CAUSES),
        Column("action", "text", "what was done", listed=ACTIONS),
        Column("supply_volts", "number", "supply measured at the sensor", low=0, high=60, unit="V"),
        Column("ground_ohms", "number", "resistance of the ground circuit", low=0, unit="ohm"),
        Column("labour_min", "number", "hands-on time", low=0, unit="min"),
        Column("labour_cost", "number", "price of the labour", low=0, unit="money"),
        Column("parts_cost", "number", "price of the parts", low=0, unit="money"),
        Column(
            "invoice_total", "number", "price of the whole visit, on any one of its rows", low=0, unit="money"
        ),
        Column("permit_restored", "flag", "whether the trailer was given permit after it"),
        Column("sensor_out", "text", "serial of the sensor taken out"),
        Column("sensor_in", "text", "serial of the sensor put in"),
        Column("part_lot", "text", "lot of the part fitted"),
        Column("method", "text", "how it was done, for example with which crimp tool"),
        Column("mechanic", "text", "who did it, as a code"),
        Column("warranty", "flag", "done under warranty"),
        Column("note", "text", "free text"),
    ),
    moment="row.received_at",
    own_rules=(
        INDICATED,
        _position_rule("found_position"),
        _order_rule(
            "returned_after_received", "received_at", "returned_at", "returned_at is not before received_at"
        ),
        Rule(
            "refusal_of_trailer",
            "refusals.trailer_id = row.trailer_id",
            "the refusal that it names is of the same trailer",
            needs="refusals",
        ),
        Rule(
            "received_after_refusal",
            f"row.received_at_until + to_hours({_kept('clock_allowance_h')}) >= refusals.refused_at",
            f"received_at is not before the refusal that it names ({DEFAULTS.clock_allowance_h} h allowed for clocks, a setting)",
            needs="refusals",
        ),
        Rule(
            "supply_usual",
            f"trailers.system <> 'five_wire' or row.supply_volts between {_kept('supply_low_volts')}"
            f" and {_kept('supply_high_volts')}",
            f"supply is {DEFAULTS.supply_low_volts} to {DEFAULTS.supply_high_volts} V at the sensor with the whole"
            " five_wire chain connected (common practice, a setting)",
            blocks=False,
            needs="trailers",
        ),
    ),
)

CHECKS_TABLE = Table(
    "checks",
    "one row a step of the search for a fault",
    ("repair_id", "step"),
    (
        Column("repair_id", "text", "the visit", required=True),
        Column("step", "count", "the order of the steps", required=True, low=1),
        Column("check", "text", "what was checked", listed=CHECKS),
        _position("position", "where; 0 = trailer level", low=0),
        Column("result", "text", "how it came out", listed=("pass", "fail")),
        Column("minutes", "number", "how long it took", low=0, unit="min"),
    ),
)

PROOF_TESTS = Table(
    "proof_tests",
    "one row a planned function test of one position",
    ("trailer_id", "position", "tested_at"),
    (
        TRAILER_ID,
        _position("position", "the position tested", required=True),
        Column("tested_at", "time", "when", required=True),
        Column("result", "text", "how it came out", listed=("pass", "stuck_dry", "stuck_wet"), required=True),
        Column("shop", "text", "who tested"),
    ),
    moment="row.tested_at",
    own_rules=(_position_rule("position"),),
)

RETURNS = Table(
    "returns",
    "one row a removed sensor that was tested on the bench",
    ("serial",),
    (
        Column("serial", "text", "the sensor's serial", required=True),
        Column(
            "result", "text", "the bench's verdict", listed=("confirmed", "no_fault_found"), required=True
        ),
        Column("part_lot", "text", "the sensor's lot"),
    ),
)

CHANGES = Table(
    "changes",
    "one row a change made to a trailer",
    ("trailer_id", "change", "applied_on"),
    (
        TRAILER_ID,
        Column("change", "text", "what was changed", required=True),
        Column("applied_on", "day", "when", required=True),
    ),
    moment="row.applied_on",
)

TABLES = (TRAILERS, LOADS, REFUSALS, REPAIRS, CHECKS_TABLE, PROOF_TESTS, RETURNS, CHANGES)
"""In an order in which each table comes after those that its rules need."""

BY_NAME = {table.name: table for table in TABLES}


def rule_text(table: str, name: str) -> str:
    """The sentence of one rule of a table."""
    rules = [*BY_NAME[table].rules(), *SET_RULES]
    return next(rule.text for rule in rules if rule.name == name)
