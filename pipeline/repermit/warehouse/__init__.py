"""The store: the only room that opens DuckDB. It makes the schema, and runs `sql/` in its order.

May import `errors`, `contract`, `settings`, `resources`. Within, imports run from `queries` and `answers` over `engine`,
`relations` and `schema` to `stores`; other rooms import from here alone. A store has the schemas

- `record`: meta (version, settings), batches, aliases, likely (ids that unknown trailers may mean), validations,
  reports made (and, from the first on, their pages), reasons (those that waiting rows had before),
- `accepted`: the rows that passed, append-only but for what never stood, with `batch_id` and `retired_by`,
- `waiting`: the quarantine, as text, with the line as read and its reasons,
- `current`: views of what is accepted now (or was, as of a batch),
- `staging`, `core`, `marts`: the relations of the folder `sql/`, one file each.
"""

from __future__ import annotations

from repermit.warehouse.answers import kept_answers, once, promise, unchanging
from repermit.warehouse.engine import connect, joined_as_written, progress_of, transaction
from repermit.warehouse.queries import Connection, bring, frame, literal, one, quote, records, rows
from repermit.warehouse.relations import build, filled, relations, typed_columns
from repermit.warehouse.schema import SCHEMA_VERSION, check_version, is_empty, make_schema, settings_of
from repermit.warehouse.stores import beside, fingerprint, opened

__all__ = [
    "SCHEMA_VERSION",
    "Connection",
    "beside",
    "bring",
    "build",
    "check_version",
    "connect",
    "filled",
    "fingerprint",
    "frame",
    "is_empty",
    "joined_as_written",
    "kept_answers",
    "literal",
    "make_schema",
    "once",
    "one",
    "opened",
    "progress_of",
    "promise",
    "quote",
    "records",
    "relations",
    "rows",
    "settings_of",
    "transaction",
    "typed_columns",
    "unchanging",
]
