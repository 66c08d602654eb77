"""One file per command, each thin."""
