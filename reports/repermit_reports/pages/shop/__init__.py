"""The foreman's page: one module a group of sections, their order in `page`."""
