"""Measures the apertures of woven-wire test sieves and judges them; knows no database."""
