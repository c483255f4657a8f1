"""Marts in, results out: one module a question, one frozen dataclass a result."""
