"""Artefacts, devices and their scales."""
