"""One module a page: results in, `Page` out. Never a connection."""
