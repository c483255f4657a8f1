"""The monthly page, for the analyst: one module a section, each `Monthly` in, `Section` out; `page` puts them in order."""
