"""The command line: one file per command, each thin."""

import atexit
import gc

gc.set_threshold(100_000, 50, 50)  # neither modules nor long lists of records are garbage
atexit.register(gc.freeze)  # nor is what is left at the end searched: the system takes it back
