"""What a user sets once: person, device, scale and laboratory."""
