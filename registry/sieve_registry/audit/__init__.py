"""What was true on a past day, and proof that the records hold together."""
