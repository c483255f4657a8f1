"""The page of whoever has the lanes serviced: summary, tables, their order in `page`."""
