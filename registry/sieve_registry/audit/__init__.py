"""The records as of a past day, and the proof that they are complete and unchanged."""
