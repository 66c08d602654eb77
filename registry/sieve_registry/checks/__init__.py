"""Checks: measuring, judging, recording with evidence."""
