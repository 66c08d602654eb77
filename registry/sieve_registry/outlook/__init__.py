"""Wear, forecasts and check intervals."""
