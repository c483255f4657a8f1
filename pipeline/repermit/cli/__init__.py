"""The command line: Typer only, one file a command. Knows everything below, is known by nothing."""
