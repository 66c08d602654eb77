"""The command line: one file per command, each thin."""

import gc

gc.set_threshold(100_000, 50, 50)  # neither modules nor long lists of records are garbage
