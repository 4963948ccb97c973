"""Jobs of the command line, one module a family; each adds its sub-parsers with `add_jobs`."""
