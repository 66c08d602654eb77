"""Remembers sieves, their checks and their uses, and answers for any past day."""
