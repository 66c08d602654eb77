"""From many apertures to the few numbers a standard speaks of, with their uncertainty."""
