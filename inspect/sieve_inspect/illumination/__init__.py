"""What the lamp and the view do to the outline of round wires."""
