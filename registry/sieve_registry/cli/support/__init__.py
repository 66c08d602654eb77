"""What the commands share."""
