"""Persons: who works here, what each may do, who has signed in, and in whose name is recorded."""
