"""Makes text from data harmless and visible before anything shows it. May import nothing of the project.

Escaping for HTML and JSON is done where they are written; this is about what escaping leaves alone.
"""

from __future__ import annotations

import re
from typing import Any

_INVISIBLE = re.compile(
    "[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\u061c\u200b\u200e\u200f\u2028-\u202e\u2060-\u206f\ufeff\ufffe\uffff\ud800-\udfff]"
)
_WORD_JOINER = "\u2060"
_MEMBERS = {"constructor", "hasOwnProperty", "isPrototypeOf", "propertyIsEnumerable", "toLocaleString",
            "toString", "valueOf", "__proto__", "__defineGetter__", "__defineSetter__", "__lookupGetter__",
            "__lookupSetter__"}  # fmt: skip
"""What every JavaScript object has (ECMA-262, 20.1.3 and B.2.2)."""


def plain(text: str) -> str:
    """`text` with control characters and marks of writing direction shown as "[U+202E]".

    They are shown, not dropped, as two trailers may differ by nothing else.
    """
    return _INVISIBLE.sub(lambda found: f"[U+{ord(found[0]):04X}]", text)


def plain_values(value: Any) -> Any:
    """The same for every text inside dicts and lists, for charts; keys are left as they are.

    The chart library keeps values as keys of plain objects and draws nothing for one that is called like a
    member of every object, such as "constructor": an invisible word joiner tells it apart.
    """
    if isinstance(value, str):
        return value + _WORD_JOINER if value in _MEMBERS else plain(value)
    if isinstance(value, dict):
        return {key: plain_values(inner) for key, inner in value.items()}
    if isinstance(value, list | tuple):
        return [plain_values(inner) for inner in value]
    return value
