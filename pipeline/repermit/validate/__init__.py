"""Great Expectations on the data in DuckDB: is what was accepted what the contract says, and does it add up."""
