"""The owner's page: one module a section, their order in `page`."""
