"""Altair charts: results in, charts out."""
