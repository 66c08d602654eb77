"""Rules: pure functions over records, returning states and findings."""
